import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.ResultSeverityEnum;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.nio.file.Files;
import java.nio.file.Path;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;

/** Validates FHIR R4 resources without a network: Check CODESYSTEM FILE... prints errors and one line a file. */
public class Check {
  public static void main(String[] args) throws Exception {
    FhirContext ctx = FhirContext.forR4();
    PrePopulatedValidationSupport own = new PrePopulatedValidationSupport(ctx);
    own.addResource(ctx.newJsonParser().parseResource(Files.readString(Path.of(args[0]))));
    UnknownCodeSystemWarningValidationSupport unknown = new UnknownCodeSystemWarningValidationSupport(ctx);
    unknown.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.INFORMATION);
    FhirInstanceValidator instances = new FhirInstanceValidator(new ValidationSupportChain(
        new DefaultProfileValidationSupport(ctx), own, new CommonCodeSystemsTerminologyService(ctx),
        new InMemoryTerminologyServerValidationSupport(ctx), unknown));
    FhirValidator validator = ctx.newValidator().registerValidatorModule(instances);
    for (int i = 1; i < args.length; i++) {
      int errors = 0;
      for (SingleValidationMessage m : validator.validateWithResult(Files.readString(Path.of(args[i]))).getMessages()) {
        if (m.getSeverity() == ResultSeverityEnum.ERROR || m.getSeverity() == ResultSeverityEnum.FATAL) {
          errors++;
          System.out.println("  " + m.getLocationString() + ": " + m.getMessage());
        }
      }
      System.out.println(Path.of(args[i]).getFileName() + ": " + errors + " errors");
    }
  }
}
