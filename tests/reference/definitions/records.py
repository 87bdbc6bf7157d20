"""What the service itself keeps: the rules as a Device, the CarePlan, run records, provenance, audit."""

from __future__ import annotations

from service.fhir.codes import BASE, Code, Provenance
from tests.reference.definitions.shape import (
    Element,
    Profile,
    Rule,
    coded,
    day_of,
    fixed_code,
    patient,
    to,
)

_ASSESS_PLAN = Code(
    "http://hl7.org/fhir/us/core/CodeSystem/careplan-category",
    "assess-plan",
    "Assessment and plan",
    Provenance.STANDARD,
)
_REQUEST = "entity.where(type.code = 'XrequestId' and what.identifier.value.exists())"
_GOALS = "contained.ofType(Goal)"

PROFILES = (
    Profile(
        "rule-engine",
        "Device",
        "The rules of this service",
        "Stands for the rules in decisions, proposals and records.",
        (
            fixed_code("status", "active", "In service"),
            Element("deviceName", "1..1", "What people call it"),
            Element("version", "1..1", "The version of the service"),
            Element("property", "1..*", "The thresholds in force, each in its unit"),
            Element("property.type", "1..1", "Which threshold"),
            Element("property.type.text", "1..1", "What it means"),
            Element("patient", "0..0", "It belongs to no patient"),
            Element("note", "1..*", "The caution"),
        ),
    ),
    Profile(
        "care-plan",
        "CarePlan",
        "CarePlan of a case",
        "Where a case stands, whose move it is and why, and what the patient does this week. One case is one CarePlan.",
        (
            Element("text", "1..1", "A physician reads the narrative"),
            Element("contained", "3..3", "The goals: their state follows from the case"),
            to("replaces", "0..1", "The plan of the earlier referral this one takes the place of", "CarePlan"),
            fixed_code("intent", "plan", "A plan, not an order"),
            Element("category", "1..1", "Asked for by US Core", pattern=coded(_ASSESS_PLAN)),
            Element("title", "1..1", "What the plan is for"),
            Element("description", "1..1", "Where the case stands, as of which day, and whose move it is"),
            patient(),
            Element("period", "1..1", "From the referral"),
            Element("period.start", "1..1", "The day of the referral"),
            day_of("created", "The day of the referral"),
            to("author", "1..1", "The rules of this service", "Device"),
            to("addresses", "0..*", "The diagnoses", "Condition"),
            Element("supportingInfo", "2..*", "The referral, the decisions, the proposal and the tests"),
            to("goal", "3..3", "Symptoms settled, worn enough, efficacy shown", "Goal"),
            Element("activity.reference", "0..0", "Activities stand in the plan itself"),
            Element("activity.detail", "1..1", "One thing to do"),
            Element("activity.detail.code", "1..1", "Its name"),
            Element("activity.detail.code.text", "1..1", "In words"),
            Element("activity.detail.description", "1..1", "The instruction"),
            Element("note", "2..*", "The decision in one sentence, and the caution"),
        ),
        (
            Rule(
                "plan-goals",
                "Each goal says how far it is reached, in words and as a code.",
                f"{_GOALS}.where(achievementStatus.coding.count() = 1 and description.text.exists()).count() = 3",
            ),
            Rule(
                "plan-decision",
                "The plan names its readiness decision.",
                "supportingInfo.reference.where($this.startsWith('Observation/') and $this.endsWith('-readiness')).exists()",
            ),
        ),
    ),
    Profile(
        "decision-run",
        "GuidanceResponse",
        "Run of the readiness rule",
        "Which rule ran at which version on which facts, and what was missing.",
        (
            Element("requestIdentifier", "1..1", "Hash of the inputs: equal inputs give an equal hash"),
            Element("requestIdentifier.value", "1..1", "SHA-256"),
            Element("identifier", "1..*", "Hash of all facts of the case"),
            Element(
                "module[x]",
                "1..1",
                "The rule and its version",
                types=("uri",),
                rules=(
                    Rule(
                        "run-module",
                        "It names a rule of ours with its version.",
                        f"$this.toString().startsWith('{BASE}/rule/') and $this.toString().contains('|')",
                    ),
                ),
            ),
            patient(),
            Element("occurrenceDateTime", "1..1", "The day it decided for"),
            to("performer", "1..1", "The rules of this service", "Device"),
            Element("note", "2..*", "The decision in one sentence, and the caution"),
            to("result", "1..1", "The CarePlan of the case", "CarePlan"),
            Element("dataRequirement", "0..*", "The facts that are missing"),
        ),
        (
            Rule(
                "run-data-required",
                "What is missing is listed when, and only when, data are required.",
                "(status = 'data-required') = dataRequirement.exists()",
            ),
            Rule(
                "run-status",
                "A run either succeeds or asks for data.",
                "status = 'success' or status = 'data-required'",
            ),
        ),
    ),
    Profile(
        "decision-provenance",
        "Provenance",
        "Provenance of a decision",
        "The exact resource versions that decision and CarePlan were made from.",
        (
            to("target", "1..*", "The decisions and the CarePlan", "Observation", "CarePlan"),
            Element("target.reference", "1..1", "Asked for by US Core"),
            Element("activity", "1..1", "A decision by the rules"),
            Element("activity.text", "1..1", "In words"),
            Element("agent", "1..1", "Who decided"),
            to("agent.who", "1..1", "The rules of this service", "Device"),
            Element("entity", "0..*", "Everything that was read"),
            fixed_code("entity.role", "source", "A source of the decision"),
            Element("entity.what", "1..1", "One version of a resource"),
            Element("entity.what.reference", "1..1", "Type, id and version"),
        ),
        (
            Rule(
                "provenance-versioned",
                "Targets and sources are exact versions.",
                "(target.reference | entity.what.reference).all($this.contains('/_history/'))",
            ),
        ),
    ),
    Profile(
        "audit-event",
        "AuditEvent",
        "Audit entry",
        "One interaction, after IHE's Basic Audit Log Patterns: what was done, when, by whom, to which resources, of whom.",
        (
            Element(
                "type",
                "1..1",
                "A RESTful interaction",
                pattern=(
                    "Coding",
                    {"system": "http://terminology.hl7.org/CodeSystem/audit-event-type", "code": "rest"},
                ),
            ),
            Element("subtype", "1..*", "Which interaction"),
            Element("action", "1..1", "Create, read, update, delete or execute"),
            Element("outcome", "1..1", "Whether it succeeded or was refused"),
            Element("outcomeDesc", "1..1", "The way it came, in words"),
            Element("agent", "1..*", "The client, the server, and the person if there is one"),
            Element("agent.type", "1..1", "Which of them"),
            Element("agent.who", "1..1", "By number, or by name as far as it is known"),
            Element("source.type", "1..1", "A server recorded it"),
            Element("entity", "1..*", "The request, what was asked, what came of it, and the patients"),
            Element("entity.type", "1..1", "Which of them"),
        ),
        (
            Rule("audit-request", "The request is named once, by its number.", f"{_REQUEST}.count() = 1"),
            Rule("audit-requestor", "One agent asked.", "agent.where(requestor = true).count() = 1"),
            Rule(
                "audit-query",
                "What it was about is a query or a thing, never both.",
                "entity.all(query.exists() != what.exists())",
            ),
            Rule("audit-emergency", "Emergency access has its reason in words.", "purposeOfEvent.all(text.exists())"),
        ),
    ),
)
