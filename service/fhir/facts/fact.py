"""The fact that one resource reports, one frozen type for each kind, as it is stored.

Lengths in mm, indices in events per hour, shares in % as they were reported. A field that is left out was not reported.
`service/fhir/read_facts.py` reads them, `text.py` writes them as JSON, `assemble.py` joins them to the facts of the rules.
A change of a field here needs another number in `service/fhir/facts_shape.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TypeAlias

from service.fhir.facts.base import TimedFact
from service.fhir.facts.referral import (
    CancellationFact,
    ClosingRecordFact,
    ConditionFact,
    DiagnosisFact,
    DocumentationFact,
    EvaluationFact,
    NotCountedFact,
    PapHistoryFact,
    ReferralFact,
    TaskFact,
)
from service.fhir.facts.sleep_tests import DesaturationIndexFact, IndexFact, MeasureFact, SleepTestFact
from service.fhir.facts.treatment import (
    ApplianceUseFact,
    AssessmentFact,
    CheckInFact,
    DeviceFact,
    PhysicianDecisionFact,
    RedFlagClosureFact,
    RedFlagFact,
    SettingFact,
    SideEffectFact,
    TestOrderFact,
    VisitFact,
    WithdrawnFlagFact,
)
from service.fhir.facts.words import FactKind
from service.rules.kinds import Office, RedFlagKind
from service.rules.source import Source

MeasureOfTest: TypeAlias = IndexFact | DesaturationIndexFact | MeasureFact
Fact: TypeAlias = (
    ReferralFact
    | TaskFact
    | CancellationFact
    | DiagnosisFact
    | ConditionFact
    | EvaluationFact
    | DocumentationFact
    | PapHistoryFact
    | AssessmentFact
    | DeviceFact
    | ApplianceUseFact
    | SettingFact
    | CheckInFact
    | SideEffectFact
    | RedFlagFact
    | WithdrawnFlagFact
    | RedFlagClosureFact
    | SleepTestFact
    | MeasureOfTest
    | TestOrderFact
    | PhysicianDecisionFact
    | VisitFact
    | NotCountedFact
    | ClosingRecordFact
)


@dataclass(frozen=True, slots=True)
class StoredFact:
    """A fact with the resource version it was read from."""

    source: Source
    fact: Fact


@dataclass(frozen=True, slots=True)
class Unread:
    """A fact of a kind of which something that every such fact reports cannot be read. It is never stored.

    What could be read of it is here for those who judge what the resource was meant to report.
    """

    kind: FactKind
    office: Office | None = None
    red_flag: RedFlagKind | None = None
    days: tuple[date, ...] = ()


Reported: TypeAlias = Fact | Unread


def kind_of(reported: Reported) -> FactKind:
    """The kind of a fact, whether it could be read or not."""
    return reported.kind if isinstance(reported, Unread) else FactKind(reported.__struct_config__.tag)


def day_reported(reported: Reported) -> date | None:
    """The day that a fact names as its own; None for a fact of no day, and for one that cannot be read."""
    if isinstance(reported, TimedFact | SleepTestFact | ReferralFact | TestOrderFact | NotCountedFact):
        return reported.day
    if isinstance(reported, VisitFact | EvaluationFact):
        return reported.visited_on
    return reported.delivered_on if isinstance(reported, ApplianceUseFact) else None


def office_in(reported: Reported) -> Office | None:
    """The office that a visit, the closure of a red flag or its end names; None when it names none."""
    if isinstance(reported, VisitFact | RedFlagClosureFact | Unread):
        return reported.office
    return reported.resolved_office if isinstance(reported, RedFlagFact) else None
