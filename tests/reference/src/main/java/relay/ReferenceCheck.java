package relay;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport.IssueSeverity;
import ca.uhn.fhir.parser.DataFormatException;
import ca.uhn.fhir.parser.IParser;
import ca.uhn.fhir.parser.StrictErrorHandler;
import com.fasterxml.jackson.databind.DeserializationFeature;
import com.fasterxml.jackson.databind.JsonNode;
import com.fasterxml.jackson.databind.ObjectMapper;
import com.fasterxml.jackson.databind.node.ArrayNode;
import com.fasterxml.jackson.databind.node.JsonNodeFactory;
import com.fasterxml.jackson.databind.node.ObjectNode;
import java.io.BufferedReader;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.io.UncheckedIOException;
import java.nio.charset.StandardCharsets;
import java.nio.file.DirectoryStream;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.HashMap;
import java.util.List;
import java.util.Map;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.Questionnaire;
import org.hl7.fhir.utilities.validation.ValidationMessage;

/**
 * Validates resources against base R4 and, where one is named, a profile.
 *
 * <p>Arguments: the folder of published definitions, and optionally a file to read instead of standard
 * input. Lines in are {"id", "profile", "resource"}; lines out {"id", "valid", "issues"}. Code systems
 * that are not loaded (SNOMED CT, LOINC, ICD-10-CM) give warnings, never errors.
 */
public final class ReferenceCheck {

  private static final ObjectMapper JSON =
      new ObjectMapper()
          .enable(DeserializationFeature.USE_BIG_DECIMAL_FOR_FLOATS)
          .setNodeFactory(JsonNodeFactory.withExactBigDecimals(true));

  private ReferenceCheck() {}

  /** Our definitions; a questionnaire among them is found by its URL, which the base class does not do. */
  private static final class Definitions extends PrePopulatedValidationSupport {
    private final Map<String, IBaseResource> questionnaires = new HashMap<>();

    Definitions(FhirContext context) {
      super(context);
    }

    void add(IBaseResource resource) {
      addResource(resource);
      if (resource instanceof Questionnaire questionnaire) {
        questionnaires.put(questionnaire.getUrl(), questionnaire);
      }
    }

    @Override
    public <T extends IBaseResource> T fetchResource(Class<T> kind, String url) {
      IBaseResource found = kind == Questionnaire.class ? questionnaires.get(url.split("\\|")[0]) : null;
      return found == null ? super.fetchResource(kind, url) : kind.cast(found);
    }
  }

  public static void main(String[] arguments) throws IOException {
    ReusedValidator validator = validator(Path.of(arguments[0]));
    PrintStream out = new PrintStream(System.out, false, StandardCharsets.UTF_8);
    try (BufferedReader lines =
        arguments.length > 1
            ? Files.newBufferedReader(Path.of(arguments[1]))
            : new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8))) {
      lines
          .lines()
          .filter(line -> !line.isBlank())
          .parallel()
          .map(line -> verdict(validator, line))
          .forEachOrdered(out::println);
    }
    out.flush();
  }

  private static ReusedValidator validator(Path definitions) throws IOException {
    FhirContext context = FhirContext.forR4();
    Definitions ours = new Definitions(context);
    IParser parser = context.newJsonParser();
    parser.setParserErrorHandler(new StrictErrorHandler());
    try (DirectoryStream<Path> files = Files.newDirectoryStream(definitions, "*.json")) {
      for (Path file : files) {
        ours.add(read(parser, file));
      }
    }
    UnknownCodeSystemWarningValidationSupport unknown = new UnknownCodeSystemWarningValidationSupport(context);
    unknown.setNonExistentCodeSystemSeverity(IssueSeverity.WARNING);
    ValidationSupportChain chain =
        new ValidationSupportChain(
            ours,
            new DefaultProfileValidationSupport(context),
            new CommonCodeSystemsTerminologyService(context),
            new InMemoryTerminologyServerValidationSupport(context),
            new SnapshotGeneratingValidationSupport(context),
            unknown);
    // a CodeableConcept keeps to a binding by any one of its codings (terminologies.html#4.1)
    chain.setCodeableConceptValidationSuccessfulIfNotAllCodingsAreValid(true);
    return new ReusedValidator(chain);
  }

  private static IBaseResource read(IParser parser, Path file) throws IOException {
    try {
      return parser.parseResource(Files.readString(file));
    } catch (DataFormatException error) {
      throw new IllegalArgumentException(file.getFileName() + ": " + error.getMessage(), error);
    }
  }

  private static String verdict(ReusedValidator validator, String text) {
    try {
      return JSON.writeValueAsString(verdict(validator, JSON.readTree(text)));
    } catch (IOException error) {
      throw new UncheckedIOException(error);
    }
  }

  private static ObjectNode verdict(ReusedValidator validator, JsonNode line) throws IOException {
    ObjectNode answer = JSON.createObjectNode();
    answer.set("id", line.get("id"));
    boolean valid = true;
    ArrayNode issues = JSON.createArrayNode();
    for (ValidationMessage message : messages(validator, line)) {
      valid &= !message.getLevel().isError();
      issues
          .addObject()
          .put("severity", message.getLevel().toCode())
          .put("location", message.getLocation())
          .put("message", message.getMessage());
    }
    answer.put("valid", valid);
    answer.set("issues", issues);
    return answer;
  }

  /** A resource that cannot even be parsed is one error, not the end of the run. */
  private static List<ValidationMessage> messages(ReusedValidator validator, JsonNode line) throws IOException {
    JsonNode resource = line.get("resource");
    String profile = line.hasNonNull("profile") ? line.get("profile").asText() : null;
    try {
      return validator.validate(resource, JSON.writeValueAsString(resource), profile);
    } catch (RuntimeException error) {
      ValidationMessage message = new ValidationMessage();
      message.setLevel(ValidationMessage.IssueSeverity.FATAL);
      message.setMessage(error.getClass().getSimpleName() + ": " + error.getMessage());
      return List.of(message);
    }
  }
}
