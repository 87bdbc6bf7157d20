"""The search parameters served, one a line below its type: name, kind, owner of the definition, elements, more.

The names, kinds, elements and targets are those of R4 (https://hl7.org/fhir/R4/searchparameter-registry.html). The
owner is `.` when the definition is the type's own (`Patient-name`), else the group that shares it (`clinical-code`).
Last stand the target types of a reference (`*`: any), or the code system that the binding of a plain code implies.
"""

TABLE = """
Patient
  identifier token . identifier
  name string . name
  family string individual name.family
  given string individual name.given
  birthdate date individual birthDate
  gender token individual gender administrative-gender
  active token . active
  death-date date . deceasedDateTime
  general-practitioner reference . generalPractitioner Practitioner,PractitionerRole,Organization
  organization reference . managingOrganization Organization
Practitioner
  identifier token . identifier
  name string . name
  family string individual name.family
  given string individual name.given
  active token . active
PractitionerRole
  identifier token . identifier
  practitioner reference . practitioner Practitioner
  organization reference . organization Organization
  role token . code
  specialty token . specialty
  active token . active
Organization
  identifier token . identifier
  name string . name|alias
  type token . type
  active token . active
  partof reference . partOf Organization
Condition
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient
  encounter reference . encounter Encounter
  category token . category
  clinical-status token . clinicalStatus
  verification-status token . verificationStatus
  code token clinical code
  onset-date date . onsetDateTime|onsetPeriod
  abatement-date date . abatementDateTime|abatementPeriod
  recorded-date date . recordedDate
  asserter reference . asserter Patient,Practitioner,PractitionerRole
ServiceRequest
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient,Device
  encounter reference clinical encounter Encounter
  category token . category
  code token clinical code
  status token . status request-status
  intent token . intent request-intent
  priority token . priority request-priority
  authored date . authoredOn
  occurrence date . occurrenceDateTime|occurrencePeriod|occurrenceTiming
  requester reference . requester Patient,Practitioner,PractitionerRole,Organization,Device
  performer reference . performer Patient,Practitioner,PractitionerRole,Organization,Device
  based-on reference . basedOn ServiceRequest,CarePlan
  replaces reference . replaces ServiceRequest
Task
  identifier token . identifier
  patient reference . for Patient
  subject reference . for *
  owner reference . owner Patient,Practitioner,PractitionerRole,Organization,Device
  requester reference . requester Patient,Practitioner,PractitionerRole,Organization,Device
  status token . status task-status
  business-status token . businessStatus
  code token . code
  intent token . intent
  focus reference . focus *
  based-on reference . basedOn *
  part-of reference . partOf Task
  authored-on date . authoredOn
  modified date . lastModified
  period date . executionPeriod
Device
  identifier token . identifier
  patient reference . patient Patient
  type token . type
  status token . status device-status
  organization reference . owner Organization
  device-name string . deviceName.name|type.coding.display|type.text
DeviceUseStatement
  identifier token . identifier
  patient reference clinical subject Patient
  subject reference . subject Patient
  device reference . device Device
Procedure
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient
  encounter reference clinical encounter Encounter
  code token clinical code
  category token . category
  status token . status event-status
  date date clinical performedDateTime|performedPeriod
  based-on reference . basedOn ServiceRequest,CarePlan
  performer reference . performer.actor Patient,Practitioner,PractitionerRole,Organization,Device
Encounter
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient
  date date clinical period
  type token clinical type
  class token . class
  status token . status encounter-status
  participant reference . participant.individual Practitioner,PractitionerRole
  based-on reference . basedOn ServiceRequest
  service-provider reference . serviceProvider Organization
Observation
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient,Device
  encounter reference clinical encounter Encounter
  category token . category
  code token clinical code
  value-concept token . valueCodeableConcept
  status token . status observation-status
  date date clinical effectiveDateTime|effectivePeriod|effectiveInstant|effectiveTiming
  based-on reference . basedOn ServiceRequest,CarePlan
  derived-from reference . derivedFrom Observation,QuestionnaireResponse,DocumentReference
  has-member reference . hasMember Observation,QuestionnaireResponse
  performer reference . performer Patient,Practitioner,PractitionerRole,Organization
  device reference . device Device
DiagnosticReport
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient,Device
  encounter reference clinical encounter Encounter
  category token . category
  code token clinical code
  date date clinical effectiveDateTime|effectivePeriod
  issued date . issued
  status token . status diagnostic-report-status
  result reference . result Observation
  based-on reference . basedOn ServiceRequest,CarePlan
  performer reference . performer Practitioner,PractitionerRole,Organization
CarePlan
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient
  category token . category
  status token . status request-status
  intent token . intent request-intent
  date date clinical period
  based-on reference . basedOn CarePlan
  condition reference . addresses Condition
  goal reference . goal Goal
Goal
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject Patient,Organization
  category token . category
  lifecycle-status token . lifecycleStatus goal-status
  achievement-status token . achievementStatus
  start-date date . startDate
  target-date date . target.dueDate
Questionnaire
  identifier token . identifier
  url uri . url
  version token . version
  status token . status publication-status
  name string . name
  title string . title
  date date . date
QuestionnaireResponse
  identifier token . identifier
  patient reference . subject Patient
  subject reference . subject *
  encounter reference . encounter Encounter
  questionnaire reference . questionnaire Questionnaire
  authored date . authored
  status token . status questionnaire-answers-status
  based-on reference . basedOn ServiceRequest,CarePlan
  author reference . author Patient,Practitioner,PractitionerRole,Organization,Device
  source reference . source Patient,Practitioner,PractitionerRole
Communication
  identifier token . identifier
  patient reference . subject Patient
  subject reference . subject Patient
  encounter reference . encounter Encounter
  category token . category
  status token . status event-status
  sent date . sent
  received date . received
  sender reference . sender Patient,Practitioner,PractitionerRole,Organization,Device
  recipient reference . recipient Patient,Practitioner,PractitionerRole,Organization,Device
  based-on reference . basedOn *
  part-of reference . partOf *
Composition
  identifier token clinical identifier
  patient reference clinical subject Patient
  subject reference . subject *
  encounter reference clinical encounter Encounter
  type token clinical type
  category token . category
  status token . status composition-status
  date date clinical date
  author reference . author Patient,Practitioner,PractitionerRole,Organization,Device
  entry reference . section.entry *
DocumentReference
  identifier token clinical masterIdentifier|identifier
  patient reference clinical subject Patient
  subject reference . subject Patient,Practitioner,Device
  encounter reference clinical context.encounter Encounter
  type token clinical type
  category token . category
  status token . status document-reference-status
  date date . date
  period date . context.period
  author reference . author Patient,Practitioner,PractitionerRole,Organization,Device
  related reference . context.related *
Provenance
  target reference . target *
  patient reference . target Patient
  recorded date . recorded
  agent reference . agent.who Patient,Practitioner,PractitionerRole,Organization,Device
AuditEvent
  date date . recorded
  type token . type
  agent reference . agent.who Patient,Practitioner,PractitionerRole,Organization,Device
  entity reference . entity.what *
  patient reference . agent.who|entity.what Patient
GuidanceResponse
  identifier token . identifier
  patient reference . subject Patient
  subject reference . subject Patient
  request token . requestIdentifier
"""
