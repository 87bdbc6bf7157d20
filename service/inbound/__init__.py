"""One file per way in. Each turns a message into drafts of FHIR resources; none touches a database."""
