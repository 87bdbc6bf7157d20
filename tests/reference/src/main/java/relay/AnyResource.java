package relay;

import java.io.ByteArrayInputStream;
import java.io.IOException;
import java.nio.charset.StandardCharsets;
import java.util.HashMap;
import java.util.List;
import java.util.Locale;
import java.util.Map;
import java.util.Set;
import java.util.regex.Matcher;
import java.util.regex.Pattern;
import org.hl7.fhir.common.hapi.validation.validator.FhirDefaultPolicyAdvisor;
import org.hl7.fhir.r5.context.IWorkerContext;
import org.hl7.fhir.r5.elementmodel.Element;
import org.hl7.fhir.r5.elementmodel.Manager;
import org.hl7.fhir.r5.elementmodel.Manager.FhirFormat;
import org.hl7.fhir.r5.model.CanonicalResource;
import org.hl7.fhir.r5.model.CanonicalType;
import org.hl7.fhir.r5.utils.validation.IResourceValidator;
import org.hl7.fhir.r5.utils.validation.IValidatorResourceFetcher;
import org.hl7.fhir.r5.utils.validation.constants.ReferenceValidationPolicy;

/**
 * A server that has every resource anyone refers to, as long as R4 has its type, and nothing in it.
 *
 * <p>Without it the validator leaves the target types of references unchecked, since it checks them on what it
 * finds there: a subject that leads to a Medication would be called right.
 */
final class AnyResource implements IValidatorResourceFetcher {

  private static final Pattern LITERAL =
      Pattern.compile("(https?://.*/)?([A-Z][A-Za-z]+)/[A-Za-z0-9\\-.]{1,64}(/_history/[A-Za-z0-9\\-.]{1,64})?");

  private final IWorkerContext context;
  private final Map<String, Element> made = new HashMap<>();

  AnyResource(IWorkerContext context) {
    this.context = context;
  }

  /** References that name a type are checked for it; others (by urn, in words) lead to nothing that can be looked at. */
  static final class Policy extends FhirDefaultPolicyAdvisor {
    @Override
    public ReferenceValidationPolicy policyForReference(
        IResourceValidator validator, Object app, String path, String url, ReferenceDestinationType to) {
      return LITERAL.matcher(url).matches()
          ? ReferenceValidationPolicy.CHECK_EXISTS_AND_TYPE
          : ReferenceValidationPolicy.IGNORE;
    }
  }

  @Override
  public Element fetch(IResourceValidator validator, Object app, String url) throws IOException {
    Matcher literal = LITERAL.matcher(url);
    if (!literal.matches() || !context.getResourceNamesAsSet().contains(literal.group(2))) {
      return null;
    }
    String type = literal.group(2);
    if (!made.containsKey(type)) {
      byte[] bare = ("{\"resourceType\":\"" + type + "\"}").getBytes(StandardCharsets.UTF_8);
      made.put(type, Manager.parseSingle(context, new ByteArrayInputStream(bare), FhirFormat.JSON));
    }
    return made.get(type);
  }

  /** Addresses are not looked up, as without a fetcher. */
  @Override
  public boolean resolveURL(
      IResourceValidator validator,
      Object app,
      String path,
      String url,
      String type,
      boolean canonical,
      List<CanonicalType> targets) {
    return true;
  }

  @Override
  public byte[] fetchRaw(IResourceValidator validator, String source) {
    return null;
  }

  @Override
  public IValidatorResourceFetcher setLocale(Locale locale) {
    return this;
  }

  @Override
  public CanonicalResource fetchCanonicalResource(IResourceValidator validator, Object app, String url) {
    return null;
  }

  @Override
  public boolean fetchesCanonicalResource(IResourceValidator validator, String url) {
    return false;
  }

  @Override
  public Set<String> fetchCanonicalResourceVersions(IResourceValidator validator, Object app, String url) {
    return Set.of();
  }
}
