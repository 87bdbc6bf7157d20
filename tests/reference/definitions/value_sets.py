"""Value sets over our own codes, and over the few codes of others that a profile allows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.fhir.codes import AHI_24_HOUR, LOCAL, LOINC, is_local
from service.fhir.facts.words import CancellationState
from service.fhir.terms_judged import FINDING_TERMS
from service.rules.coverage_us import Documentation
from service.rules.decision import Party, Readiness, ResponseClass, Status, Step
from service.rules.follow_up import FollowUpOutcome
from service.rules.judging.comparison import Comparability
from service.rules.judging.finding import Cause, Weight
from service.rules.kinds import (
    Denominator,
    Office,
    OwnReading,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
    Scoring,
    TestKind,
    Worn,
)
from service.rules.referral import ReferralOutcome
from tests.reference.definitions.shape import VERSION, Resource, computable_name, value_set_url

TASK_STATUS = "http://hl7.org/fhir/task-status"
REQUEST_STATUS = "http://hl7.org/fhir/request-status"


@dataclass(frozen=True)
class ValueSet:
    """A value set as lists of codes, each by its system."""

    id: str
    title: str
    description: str
    codes: tuple[tuple[str, tuple[str, ...]], ...]

    def definition(self) -> Resource:
        """The ValueSet resource."""
        return {
            "resourceType": "ValueSet",
            "id": self.id,
            "url": value_set_url(self.id),
            "version": VERSION,
            "name": computable_name(f"{self.id}-values"),
            "title": self.title,
            "status": "active",
            "experimental": False,
            "description": self.description,
            "compose": {
                "include": [{"system": system, "concept": [{"code": c} for c in codes]} for system, codes in self.codes]
            },
        }


def _ours(name: str, title: str, description: str, codes: Iterable[str]) -> ValueSet:
    held = tuple(str(code) for code in codes)
    assert all(is_local(code) for code in held), name
    return ValueSet(name, title, description, ((LOCAL, held),))


MEASURES = {
    "recording-time": "RECORDING_HOURS",
    "monitored-time": "RECORDING_HOURS",
    "sleep-time": "RECORDING_HOURS",
    "lowest-spo2": "SPO2_PERCENT",
    "t90": "SHARE_PERCENT",
    "minutes-at-88": "MINUTES_IN_TEST",
    "supine-index": "INDEX_PER_HOUR",
    "non-supine-index": "INDEX_PER_HOUR",
    "supine-time": "HOURS_IN_TEST",
    "supine-share": "SHARE_PERCENT",
    "central-share": "SHARE_PERCENT",
    "central-index": "INDEX_PER_HOUR",
    "central-events": "EVENT_COUNT",
    "obstructive-events": "EVENT_COUNT",
    "mixed-events": "EVENT_COUNT",
    "weight-at-test": "WEIGHT_KG",
}
"""Single measures of a sleep test, each with the name of its limit."""

VALUE_SETS = (
    ValueSet(
        "sleep-test-index",
        "Indices of a sleep test",
        "Events per hour as a sleep test reports them. The apnoea index and the obstructive index are not among them.",
        ((LOCAL, ("ahi", "rei", "rdi")), (LOINC, (AHI_24_HOUR.code,))),
    ),
    _ours("sleep-test-measure", "Further measures of a sleep test", "Measures beside the index and the ODI.", MEASURES),
    _ours(
        "hypopnoea-rule",
        "Hypopnoea rules",
        "Which fall in SpO2 makes a hypopnoea: indices under different rules are not compared.",
        (
            "hypopnoea-3-percent-or-arousal",
            "hypopnoea-3-percent",
            "hypopnoea-4-percent",
            "hypopnoea-rule-unknown",
        ),
    ),
    _ours("test-kind", "Kinds of sleep test", "What a sleep test recorded, from most to least.", TestKind),
    _ours("scoring", "Scoring", "Who scored a recording.", Scoring),
    _ours("appliance-worn", "Wear in the night of a test", "Whether the appliance was worn that night.", Worn),
    _ours("t90-denominator", "Times that T90 is a share of", "The time that a share is taken of.", Denominator),
    _ours("office", "Offices", "Which of the two offices acts.", Office),
    _ours("own-reading", "The physician's own reading", "How a physician reads the response to treatment.", OwnReading),
    _ours("red-flag-kind", "Red flags", "Findings that stop titration until someone has looked.", RedFlagKind),
    _ours(
        "visit-kind",
        "Kinds of visit",
        "Visits that the rules of follow-up and of documentation count.",
        ("dental-visit", "physician-visit", "face-to-face-evaluation"),
    ),
    _ours("referral-outcome", "Outcomes of the referral check", "What is missing blocks nothing.", ReferralOutcome),
    _ours("follow-up-outcome", "Outcomes of follow-up", "The most pressing thing that is due.", FollowUpOutcome),
    _ours(
        "documentation-outcome",
        "Outcomes of the documentation check",
        "Whether documents are there: no coverage decision.",
        Documentation,
    ),
    _ours(
        "severity",
        "Severity of sleep apnoea",
        "By the index, at 5, 15 and 30 events per hour.",
        ("no-apnoea", "mild-apnoea", "moderate-apnoea", "severe-apnoea"),
    ),
    _ours("physician-choice", "Decisions after a test", "What a physician decides after a test.", PhysicianChoice),
    _ours("readiness-outcome", "Outcomes of readiness", "Ready means ready to be tested, never treated.", Readiness),
    _ours("titration-step", "Titration steps", "What may be done next with the setting.", Step),
    _ours("response-class", "Classes of response", "By the fall of the index from the baseline.", ResponseClass),
    _ours("comparability", "Comparability of two tests", "How a test compares with the baseline.", Comparability),
    _ours("withheld-cause", "Causes of a withheld class", "In the order in which the first makes the headline.", Cause),
    _ours(
        "finding",
        "Findings of a judged test",
        "What is found when a test is judged: contradictions, what is untold, what keeps it from counting, what its index hides.",
        (*FINDING_TERMS, "worse-oximetry", "not-worn", "combination", "not-comparable"),
    ),
    _ours(
        "finding-weight",
        "Weight of a finding, and who acts",
        "Whether a finding is only said, asked about, or somebody acts within days; and the party that does.",
        (*Weight, *(party.value.replace(" ", "-") for party in Party)),
    ),
    _ours("criterion-status", "Status of a criterion", "How one criterion of a decision came out.", Status),
    ValueSet(
        "referral-state",
        "States of a referral",
        "The values of the Task status that a referral uses.",
        ((TASK_STATUS, tuple(str(state) for state in ReferralState)),),
    ),
    ValueSet(
        "cancellation-state",
        "States of a request to cancel",
        "The values of the Task status that a request to cancel a referral uses.",
        ((TASK_STATUS, tuple(state.value for state in CancellationState)),),
    ),
    ValueSet(
        "proposal-status",
        "Status of a proposal",
        "A proposal waits as draft; an order completes it; it is revoked when it no longer holds. It is never active.",
        ((REQUEST_STATUS, ("draft", "completed", "revoked")),),
    ),
)
