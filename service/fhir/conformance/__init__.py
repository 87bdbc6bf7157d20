"""Whether a resource is valid FHIR R4 and keeps to the published profiles (https://hl7.org/fhir/R4/validation.html)."""
