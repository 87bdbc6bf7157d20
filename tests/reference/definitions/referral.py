"""The referral, its Task, the proposed and the ordered efficacy test."""

from __future__ import annotations

from service.fhir.codes import DENTAL_REFERRAL, Code, Provenance
from service.fhir.referral_task import NEEDS_REASON
from tests.reference.definitions.shape import (
    BASED_ON,
    CATEGORY,
    EFFECTIVE,
    Element,
    Profile,
    Rule,
    day_of,
    fixed_code,
    flagged,
    is_code,
    parts,
    patient,
    to,
)

_TASK_CODE = "http://hl7.org/fhir/CodeSystem/task-code"
FULFILL = Code(_TASK_CODE, "fulfill", "Fulfill the focal request", Provenance.STANDARD)
ABORT = Code(_TASK_CODE, "abort", "Mark the focal resource as no longer active", Provenance.STANDARD)
APPROVE = Code(_TASK_CODE, "approve", "Activate/approve the focal resource", Provenance.STANDARD)
_PRESCRIBER = to(
    "requester", "1..1", "A physician prescribes; a dental office does not", "Practitioner", "PractitionerRole"
)
_REASONED = " or ".join(f"status = '{state}'" for state in sorted(NEEDS_REASON))
_TASK_TIMES = Rule(
    "task-times",
    "A Task is not changed before it was made.",
    "iif(lastModified < authoredOn, false, true)",
)

PROFILES = (
    Profile(
        "referral",
        "ServiceRequest",
        "Referral for oral appliance therapy",
        "The physician's order that opens a case. Only its author edits it.",
        (
            Element("identifier", "1..*", "The referral's number: a repeat is the same case"),
            to("replaces", "0..*", "The ended referral it takes the place of", "ServiceRequest"),
            fixed_code("intent", "order", "An order, made by a physician"),
            is_code(DENTAL_REFERRAL, why="Referral for dental care"),
            patient(),
            day_of("authoredOn", "The day of the referral: the case begins"),
            _PRESCRIBER,
            to(
                "performer",
                "0..*",
                "The dental office asked to treat",
                "Organization",
                "Practitioner",
                "PractitionerRole",
            ),
            to(
                "reasonReference",
                "0..*",
                "The diagnosis",
                "Condition",
                "Observation",
                "DiagnosticReport",
                "DocumentReference",
            ),
            Element("supportingInfo", "0..*", "The baseline test and what was known before treatment"),
        ),
    ),
    Profile(
        "coverage-documentation",
        "Observation",
        "Documentation a payer asks for",
        "What an office states for the documentation check, each as true or false.",
        (
            BASED_ON,
            CATEGORY,
            is_code("coverage-documentation"),
            patient(),
            EFFECTIVE,
            *parts(
                flagged("ordered-by-treating-practitioner", "Stated by the physician's side"),
                flagged("provided-by-licensed-dentist", "Stated by the dental office"),
            ),
        ),
        (Rule("documentation-told", "At least one thing is stated.", "component.exists()"),),
    ),
    Profile(
        "referral-task",
        "Task",
        "State of the referral",
        "Where the referral stands between the physician's side and the dental office.",
        (
            Element("status", "1..1", "The state of the referral", value_set="referral-state"),
            Element("statusReason", "0..1", "Why it was declined, held, ended or withdrawn"),
            Element("businessStatus", "0..1", "Ready for a test, or test ordered"),
            fixed_code("intent", "order", "It carries out an order"),
            is_code(FULFILL, why="Fulfil the referral"),
            to("focus", "1..1", "The referral", "ServiceRequest"),
            patient("for"),
            Element("authoredOn", "1..1", "When the Task was made"),
            to("requester", "0..1", "The prescriber", "Practitioner", "PractitionerRole", "Organization"),
            to(
                "owner",
                "0..1",
                "The dental office whose move it is",
                "Organization",
                "Practitioner",
                "PractitionerRole",
            ),
            Element("output", "0..*", "What came of it: the CarePlan"),
        ),
        (
            _TASK_TIMES,
            Rule(
                "task-reason",
                "A referral is declined, held, failed or withdrawn with a reason.",
                f"({_REASONED}) implies statusReason.exists()",
            ),
            Rule(
                "task-output",
                "A completed referral names what came of it.",
                "status = 'completed' implies output.exists()",
            ),
        ),
    ),
    Profile(
        "cancellation-task",
        "Task",
        "Request to cancel a referral",
        "After work began the physician's office asks, and the dental office agrees or declines with a reason.",
        (
            Element("status", "1..1", "Whether and how it was answered", value_set="cancellation-state"),
            Element("statusReason", "0..1", "Why it was declined or withdrawn"),
            fixed_code("intent", "order", "Asked for by the one who ordered"),
            is_code(ABORT, why="End the work on the referral"),
            to("focus", "1..1", "The Task of the referral", "Task"),
            patient("for"),
            Element("authoredOn", "1..1", "When it was asked"),
            to("requester", "0..1", "Who asks", "Practitioner", "PractitionerRole", "Organization"),
            to("owner", "0..1", "The dental office that answers", "Organization", "Practitioner", "PractitionerRole"),
            Element("reasonCode", "1..1", "Why the referral is to be cancelled"),
            Element("reasonCode.text", "1..1", "In words"),
        ),
        (
            _TASK_TIMES,
            Rule(
                "cancellation-reason",
                "A request is declined or withdrawn as an error with a reason.",
                "(status = 'rejected' or status = 'entered-in-error') implies statusReason.exists()",
            ),
        ),
    ),
    Profile(
        "test-proposal",
        "ServiceRequest",
        "Proposed efficacy test",
        "The service proposes a test and never orders one: intent is proposal, and the status is never active.",
        (
            to("basedOn", "1..1", "The referral of the case", "ServiceRequest"),
            Element(
                "status",
                "1..1",
                "Draft while it waits, completed once ordered, else revoked",
                value_set="proposal-status",
            ),
            fixed_code("intent", "proposal", "A proposal, never an order"),
            is_code("efficacy-test", why="Sleep test with the appliance worn"),
            patient(),
            day_of("authoredOn", "The day the case became ready"),
            to("requester", "1..1", "The rules of this service", "Device"),
            to("supportingInfo", "1..*", "The decision it rests on", "Observation"),
            Element("note", "2..*", "The reason in one sentence, and the caution"),
        ),
        (
            Rule(
                "proposal-never-ordered",
                "The service proposes: intent proposal; status draft, completed or revoked.",
                "intent = 'proposal' and (status = 'draft' or status = 'completed' or status = 'revoked')",
            ),
        ),
    ),
    Profile(
        "approval-task",
        "Task",
        "Approval of a proposed test",
        "Asks the physician to order the test that is proposed.",
        (
            fixed_code("intent", "proposal", "It carries no authority of its own"),
            is_code(APPROVE, why="Approve the proposal"),
            to("focus", "1..1", "The proposal", "ServiceRequest"),
            patient("for"),
            day_of("authoredOn", "The day of the proposal"),
            to("requester", "1..1", "The rules of this service", "Device"),
            to("owner", "0..1", "The physician", "Practitioner", "PractitionerRole"),
        ),
        (_TASK_TIMES,),
    ),
    Profile(
        "test-order",
        "ServiceRequest",
        "Order of an efficacy test",
        "The physician's order of a sleep test with the appliance worn.",
        (
            to("basedOn", "0..*", "The proposal it answers, or the referral", "ServiceRequest", "CarePlan"),
            fixed_code("intent", "order", "Only a physician orders a test"),
            is_code("efficacy-test", why="Sleep test with the appliance worn"),
            patient(),
            day_of("authoredOn", "The day of the order"),
            _PRESCRIBER,
        ),
    ),
)
