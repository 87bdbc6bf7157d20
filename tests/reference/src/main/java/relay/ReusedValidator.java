package relay;

import ca.uhn.fhir.context.support.IValidationSupport;
import com.fasterxml.jackson.databind.JsonNode;
import java.io.ByteArrayInputStream;
import java.nio.charset.StandardCharsets;
import java.util.ArrayList;
import java.util.LinkedHashSet;
import java.util.List;
import java.util.Set;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator.NullEvaluationContext;
import org.hl7.fhir.common.hapi.validation.validator.WorkerContextValidationSupportAdapter;
import org.hl7.fhir.r5.context.IWorkerContext;
import org.hl7.fhir.r5.elementmodel.Manager.FhirFormat;
import org.hl7.fhir.r5.model.StructureDefinition;
import org.hl7.fhir.r5.utils.XVerExtensionManager;
import org.hl7.fhir.r5.utils.validation.ValidatorSession;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;
import org.hl7.fhir.r5.utils.validation.constants.IdStatus;
import org.hl7.fhir.utilities.i18n.I18nConstants;
import org.hl7.fhir.utilities.validation.ValidationMessage;
import org.hl7.fhir.utilities.validation.ValidationMessage.IssueSeverity;
import org.hl7.fhir.validation.ValidatorSettings;
import org.hl7.fhir.validation.instance.InstanceValidator;

/**
 * The validator with the settings of the library's own wrapper, but one instance for each thread.
 *
 * <p>The wrapper makes a new instance for each resource, and each instance reads a table of OIDs: that took two
 * thirds of a run. An instance clears its state at the start of each validation.
 */
final class ReusedValidator {

  private final IWorkerContext context;
  private final ThreadLocal<InstanceValidator> validators;

  ReusedValidator(IValidationSupport support) {
    context = WorkerContextValidationSupportAdapter.newVersionSpecificWorkerContextWrapper(support);
    validators = ThreadLocal.withInitial(this::instance);
    makeSnapshots();
  }

  /** All of them by one thread, before others start: two threads making them can wait for each other for ever. */
  private void makeSnapshots() {
    for (StructureDefinition definition : context.fetchResourcesByType(StructureDefinition.class)) {
      context.fetchResource(StructureDefinition.class, definition.getUrl());
    }
  }

  private InstanceValidator instance() {
    InstanceValidator validator =
        new InstanceValidator(
            context,
            new NullEvaluationContext(),
            new XVerExtensionManager(context),
            new ValidatorSession(),
            new ValidatorSettings());
    validator.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    validator.setAnyExtensionsAllowed(true);
    validator.setResourceIdRule(IdStatus.OPTIONAL);
    validator.setErrorForUnknownProfiles(true);
    validator.setUnknownCodeSystemsCauseErrors(true);
    validator.setFetcher(new AnyResource(context));
    validator.setPolicyAdvisor(new AnyResource.Policy());
    return validator;
  }

  /** Every message about a resource, judged by base R4, the profile that is named and those it names itself. */
  List<ValidationMessage> validate(JsonNode resource, String text, String profile) {
    List<ValidationMessage> messages = new ArrayList<>();
    List<StructureDefinition> found = new ArrayList<>();
    for (String url : profiles(resource, profile)) {
      StructureDefinition definition = context.fetchResource(StructureDefinition.class, url);
      if (definition != null) {
        found.add(definition);
      } else if (url.equals(profile)) {
        // one that a resource names itself is warned of by the validator and cannot be checked
        ValidationMessage message = new ValidationMessage();
        message.setLevel(IssueSeverity.ERROR);
        message.setMessage("No profile has the address " + url);
        messages.add(message);
      }
    }
    byte[] bytes = text.getBytes(StandardCharsets.UTF_8);
    validators.get().validate(null, messages, new ByteArrayInputStream(bytes), FhirFormat.JSON, found);
    messages.removeIf(ReusedValidator::isAboutNothing);
    return messages;
  }

  private static Set<String> profiles(JsonNode resource, String profile) {
    Set<String> urls = new LinkedHashSet<>();
    if (profile != null) {
      urls.add(profile);
    }
    resource.path("meta").path("profile").forEach(url -> urls.add(url.asText()));
    return urls;
  }

  /** As in the library's wrapper: bindings without a source say nothing. */
  private static boolean isAboutNothing(ValidationMessage message) {
    String id = message.getMessageId();
    return I18nConstants.TERMINOLOGY_TX_BINDING_NOSOURCE.equals(id)
        || I18nConstants.TERMINOLOGY_TX_BINDING_NOSOURCE2.equals(id)
        || (I18nConstants.TERMINOLOGY_TX_VALUESET_NOTFOUND.equals(id)
            && message.getMessage().contains("http://hl7.org/fhir/ValueSet/mimetypes"));
  }
}
