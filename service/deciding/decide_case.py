"""One case decided: from its facts as they are known now to everything that is to be written of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from service.deciding.announce import AroundCase, LastMove, notice, with_cancellation
from service.deciding.decide import record, with_birth_date
from service.deciding.fact_rows import FactChange, changed_rows, task_fact
from service.deciding.house import House
from service.deciding.state import CaseState
from service.deciding.superseded import FactMarks, LoadedFacts, marks, still_read
from service.deciding.task_status import wanted_status, with_business_status
from service.fhir.facts.fact import Fact
from service.rows import Case, Notice, Stored
from service.rules.case_view import CaseView, view_case
from service.rules.facts import CaseFacts


@dataclass(frozen=True, slots=True)
class CaseChange:
    """What is to be written of one case: its row, its facts, the marks of superseded ones, a notice to its outbox."""

    case: Case
    is_new: bool = False
    facts: FactChange = FactChange()
    marks: FactMarks = FactMarks()
    notice: Notice | None = None


@dataclass(frozen=True, slots=True)
class Ground:
    """A case before it is decided: its row and state, the facts loaded, and what was reported since, by reference.

    `task` is a version of its Task that is due before the decision.
    """

    case: Case
    state: CaseState
    loaded: LoadedFacts
    task: Stored | None = None
    reported: Mapping[str, Fact | None] = field(default_factory=dict)
    versions: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Deciding:
    """How a case is decided: by which house, as of which day, written at which instant, with which ids, amid what else.

    `stored` gives the current version of a resource by its address, the message's own included.
    """

    house: House
    on: date
    now: str
    new_id: Callable[[], str]
    parties: Callable[[], frozenset[tuple[str, str]]]
    stored: Callable[[str], Stored | None]


@dataclass(frozen=True, slots=True)
class DecidedCase:
    """A case as decided: what is to be written, the new versions of the service's own resources and of the Task."""

    change: CaseChange
    state: CaseState
    rows: tuple[Stored, ...]
    view: CaseView


def decide_case(ground: Ground, facts: CaseFacts, deciding: Deciding) -> DecidedCase:
    """Decide a case from its facts as they now are."""
    house, before = deciding.house, ground.loaded.facts
    read, state = still_read(facts, ground.loaded, ground.state, house, deciding.on)
    view = view_case(with_birth_date(read, state.birth_date), house.site, deciding.on)
    recorded = record(view, ground.case, state, house, deciding.now)
    case, state = recorded.case, with_cancellation(recorded.state, view)
    around = AroundCase(deciding.parties, deciding.stored)
    notified = notice(case, LastMove.of(ground.case, ground.state), state, view.facts, around)
    wanted, task = wanted_status(view.stage, state), ground.task
    if task is not None or wanted != state.business_status:
        state = state.but(business_status=wanted)
        current = task or deciding.stored(case.task)
        assert current is not None, "a case has a Task"
        task = with_business_status(current, task is not None, wanted, deciding.now)
    reported, versions = dict(ground.reported), dict(ground.versions)
    if task is not None:
        reported[case.task], versions[case.task] = task_fact(task, before), task.version
    change = CaseChange(
        case=replace(case, derived=state.text()),
        is_new=not ground.case.stage,
        facts=changed_rows(before, reported, versions, ground.loaded.read_anew),
        marks=marks(ground.loaded, facts, read, rewritten=reported),
        notice=replace(notified, id=deciding.new_id()) if notified else None,
    )
    return DecidedCase(change, state, (*([task] if task else []), *recorded.rows), view)
