"""FHIR R4 (4.0.1) knowledge: codes, building, reading, validating. No SQL, no HTTP, no clock."""
