"""A walk over the states a case can be in: the real rules, on small invented courses, one act or some days at a time.

A state is what the two offices see of a case. From one course in each state every act of every party is tried, and the
passing of days. What is found is a graph of states, on which the tests ask whether any lasts for ever.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from service.fhir.referral_task import FULFILLER, Role, Verdict, cell
from service.rules.case_view import CaseView, view_case
from service.rules.decision import Party
from service.rules.facts import (
    Appliance,
    CaseFacts,
    CheckIn,
    PhysicianDecision,
    RedFlag,
    RedFlagClosure,
    Setting,
    SideEffect,
    TestOrder,
    Visit,
)
from service.rules.kinds import (
    Hearer,
    HypopnoeaRule,
    IndexName,
    Office,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
    Scoring,
    TestKind,
    TestPurpose,
    Worn,
)
from service.rules.overdue import overdue_from
from service.rules.red_flags import office_of
from service.rules.referral_order import Referral
from service.rules.site import Site
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment, Source
from service.rules.stage import StageName
from service.rules.thresholds import Thresholds

START = date(2026, 1, 5)
SITE = Site()
THRESHOLDS = SITE.thresholds
Key = tuple[Any, ...]
_LIMIT_MM = Decimal(4)


@dataclass(frozen=True)
class Place:
    """One course of facts on one day."""

    facts: CaseFacts
    today: date
    number: int = 0

    def view(self) -> CaseView:
        return view_case(self.facts, SITE, self.today)

    def source(self, kind: str) -> Source:
        return Source(f"{kind}/{self.number}", 1)

    def adding(self, **more: Any) -> Place:
        """The course with another fact of some kinds."""
        told = {name: (*getattr(self.facts, name), fact) for name, fact in more.items()}
        return Place(replace(self.facts, **told), self.today, self.number + 1)


def key_of(view: CaseView) -> Key:
    """What makes two courses the same state: all that the offices see and act on."""
    last = view.course.decided
    referral = view.facts.referral
    if view.stage.name in (StageName.UNDER_REVIEW, StageName.ON_HOLD):
        offices = tuple(sorted({f.office.value for f in view.course.flags}))
        grade = max((e.grade for e in view.course.open_side_effects), default=0)
        return (view.stage.name.value, view.stage.whose_move.value, view.readiness.outcome, offices, grade, "", "")
    return (
        view.stage.name.value,
        view.stage.whose_move.value,
        view.readiness.outcome,
        view.step.outcome if view.step else "",
        referral.state.value if referral else "",
        tuple(sorted({f.office.value for f in view.course.flags})),
        max((e.grade for e in view.course.open_side_effects), default=0),
        tuple(c.value for c in view.course.result.causes) if view.course.result else ("untested",),
        last.choice.value if last else "",
        view.course.appliance is not None,
        _how_far(view),
    )


def _how_far(view: CaseView) -> str:
    """The setting as far as it matters: none, on the way, past standard parts, at the limit."""
    if view.course.setting is None:
        return "none"
    mm = max(view.course.setting.pair)
    return "limit" if mm >= _LIMIT_MM else "past standard parts" if mm >= 3 else "on the way"


@dataclass(frozen=True)
class Act:
    """Something a party can do: what becomes of a course, or None where it cannot be done."""

    name: str
    party: Party
    does: Callable[[Place, CaseView], Place | None]


def _moved(place: Place, state: ReferralState, role: Role) -> Place | None:
    """The referral in another state, where the state machine lets that role move it; nobody has one not delivered."""
    referral = place.facts.referral
    if referral is None or (role is FULFILLER and referral.undelivered_since is not None):
        return None
    if cell(referral.state.value, state.value, role).verdict is not Verdict.ALLOWED:
        return None
    since = (*referral.state_since, (place.today, state))
    return Place(
        replace(place.facts, referral=replace(referral, state=state, state_since=since)), place.today, place.number + 1
    )


def _treating(place: Place) -> bool:
    referral = place.facts.referral
    return bool(place.facts.appliances) and referral is not None and referral.state is ReferralState.IN_PROGRESS


def _deliver(place: Place, view: CaseView) -> Place | None:
    if place.facts.appliances or not place.facts.referral:
        return None
    begun = _moved(place, ReferralState.IN_PROGRESS, FULFILLER)
    if begun is None:
        return None
    source = begun.source("appliance")
    fact = Appliance(source, begun.today, maximum_advance_mm=_LIMIT_MM, smallest_step_mm=Decimal(1))
    return begun.adding(appliances=fact, settings=Setting(source, Moment(begun.today), Decimal(0), Decimal(0)))


def _set(by: int) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        if not _treating(place) or not view.course.setting:
            return None
        mm = view.course.setting.left_mm + by
        if not 0 <= mm <= _LIMIT_MM or view.course.onset == place.today:
            return None
        back = by < 0
        return place.adding(
            settings=Setting(place.source("setting"), Moment(place.today), mm, mm, taken_back_for_side_effect=back)
        )

    return act


def _no_further(place: Place, view: CaseView) -> Place | None:
    setting = view.course.setting
    if not _treating(place) or not setting or view.course.no_further:
        return None
    again = replace(setting, source=place.source("setting"), moment=Moment(place.today), no_further="no gain expected")
    return place.adding(settings=again)


def _check_in(**told: Any) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        delivered = view.course.delivered
        if delivered is None or not _treating(place) or (place.today - delivered).days < 7:
            return None
        if any(c.moment.day == place.today for c in place.facts.check_ins):
            return None
        good: dict[str, Any] = {
            "snoring": Decimal(2),
            "restedness": Decimal(8),
            "epworth_total": 6,
            "nights_reported": 7,
            "nights_worn": 7,
            "hours_per_night": Decimal(6),
            "witnessed_pauses": False,
        }
        return place.adding(check_ins=CheckIn(place.source("check-in"), Moment(place.today), **(good | told)))

    return act


def _side_effect(grade: int) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        if not _treating(place) or view.course.open_side_effects:
            return None
        source, moment = place.source("side-effect"), Moment(place.today, "08:00:00")
        return place.adding(side_effects=SideEffect(source, moment, "jaw pain", grade, place.today))

    return act


def _side_effect_over(place: Place, view: CaseView) -> Place | None:
    if not view.course.open_side_effects:
        return None
    worst = view.course.open_side_effects[0]
    source, moment = place.source("side-effect"), Moment(place.today, "18:00:00")
    return place.adding(side_effects=SideEffect(source, moment, worst.kind, 0, worst.onset, place.today))


def _flag(kind: RedFlagKind) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        if not _treating(place) or view.course.flags:
            return None
        return place.adding(red_flags=RedFlag(place.source("flag"), Moment(place.today), kind))

    return act


def _close(office: Office) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        own = [f for f in view.course.flags if office_of(f.kind) is office]
        if not own:
            return None
        told = RedFlagClosure(place.source("closure"), Moment(place.today), own[0].kind, office, "somebody", "seen")
        return place.adding(red_flag_closures=told)

    return act


def _visit(office: Office) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        if not place.facts.appliances or any(v.office is office and v.day == place.today for v in place.facts.visits):
            return None
        return place.adding(visits=Visit(place.source("visit"), place.today, office))

    return act


def _baseline(place: Place, view: CaseView) -> Place | None:
    if place.facts.sleep_tests:
        return None
    return place.adding(sleep_tests=_test(place, TestPurpose.BASELINE, "24"))


def _efficacy(index: str, **told: Any) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        ordered = [o for o in place.facts.test_orders if o.day <= place.today]
        tested = max((t.day for t in place.facts.sleep_tests if t.purpose is TestPurpose.EFFICACY), default=date.min)
        if not any(o.day > tested for o in ordered):
            return None
        return place.adding(sleep_tests=_test(place, TestPurpose.EFFICACY, index, **told))

    return act


def _test(place: Place, purpose: TestPurpose, index: str, **told: Any) -> SleepTest:
    held: dict[str, Any] = {
        "kind": TestKind.HOME_FLOW,
        "index_name": IndexName.REI,
        "index_per_hour": Decimal(index),
        "hypopnoea_rule": HypopnoeaRule.FOUR_PERCENT,
        "recording_hours": Decimal("7.0"),
        "scoring": Scoring.REVIEWED,
        "worn": Worn.ALL_NIGHT,
    }
    return SleepTest(place.source("test"), place.today, purpose, **(held | told))


def _completed_report(place: Place, view: CaseView) -> Place | None:
    """The laboratory sends the report again, complete and without a contradiction."""
    result = view.course.result
    if result is None or not result.waits_for_laboratory:
        return None
    mended = replace(result.test, source=Source(result.test.source.reference, result.test.source.version + 1))
    mended = replace(mended, worn=Worn.ALL_NIGHT, event_count=None, hypopnoea_rule=HypopnoeaRule.FOUR_PERCENT)
    tests = tuple(mended if t.source.reference == mended.source.reference else t for t in place.facts.sleep_tests)
    return Place(replace(place.facts, sleep_tests=tests), place.today, place.number + 1)


def _order(place: Place, view: CaseView) -> Place | None:
    if not place.facts.appliances or any(o.day == place.today for o in place.facts.test_orders):
        return None
    if view.readiness.outcome == "ordered" or view.course.setting is None:
        return None
    return place.adding(test_orders=TestOrder(place.source("order"), place.today))


def _cancel_order(place: Place, view: CaseView) -> Place | None:
    if view.readiness.outcome != "ordered":
        return None
    return Place(replace(place.facts, test_orders=place.facts.test_orders[:-1]), place.today, place.number + 1)


def _decide(choice: PhysicianChoice, **told: Any) -> Callable[[Place, CaseView], Place | None]:
    def act(place: Place, view: CaseView) -> Place | None:
        if not place.facts.appliances or any(d.moment.day == place.today for d in place.facts.physician_decisions):
            return None
        days = {k: place.today + v if isinstance(v, timedelta) else v for k, v in told.items()}
        fact = PhysicianDecision(place.source("decision"), Moment(place.today), choice, **days)
        return place.adding(physician_decisions=fact)

    return act


def _referral(state: ReferralState, role: Role) -> Callable[[Place, CaseView], Place | None]:
    return lambda place, view: _moved(place, state, role)


def _registered(place: Place, view: CaseView) -> Place | None:
    """The operator binds the office at the sender's asking, or the sender names a registered one."""
    referral = place.facts.referral
    if referral is None or referral.undelivered_since is None:
        return None
    delivered = replace(referral, undelivered_since=None)
    return Place(replace(place.facts, referral=delivered), place.today, place.number + 1)


D, P, L, PT = Party.DENTIST, Party.PHYSICIAN, Party.SLEEP_LAB, Party.PATIENT
ACTS = (
    Act("accepts", D, _referral(ReferralState.ACCEPTED, FULFILLER)),
    Act("declines", D, _referral(ReferralState.REJECTED, FULFILLER)),
    Act("delivers", D, _deliver),
    Act("advances", D, _set(1)),
    Act("sets back", D, _set(-1)),
    Act("no further: test now", D, _no_further),
    Act("holds", D, _referral(ReferralState.ON_HOLD, FULFILLER)),
    Act("goes on", D, _referral(ReferralState.IN_PROGRESS, FULFILLER)),
    Act("treats the side effect", D, _side_effect_over),
    Act("closes a red flag", D, _close(Office.DENTIST)),
    Act("sees the patient", D, _visit(Office.DENTIST)),
    Act("calls: good answers", D, _check_in()),
    Act("sends the baseline", L, _baseline),
    Act("has the office registered", L, _registered),
    Act("has the office registered", P, _registered),
    Act("good test", L, _efficacy("3")),
    Act("poor test", L, _efficacy("14")),
    Act("worse test", L, _efficacy("40")),
    Act("short test", L, _efficacy("3", recording_hours=Decimal("1.0"))),
    Act("untold test", L, _efficacy("3", worn=Worn.UNKNOWN)),
    Act("central test", L, _efficacy("9", central_share=Decimal("0.8"))),
    Act("contradicting test", L, _efficacy("4.1", event_count=270)),
    Act("completes the report", L, _completed_report),
    Act("orders the test", P, _order),
    Act("cancels the order", P, _cancel_order),
    Act("continues", P, _decide(PhysicianChoice.CONTINUE)),
    Act("keeps titrating", P, _decide(PhysicianChoice.KEEP_TITRATING)),
    Act("advances and tests again", P, _decide(PhysicianChoice.ADVANCE_AND_RETEST)),
    Act("combines", P, _decide(PhysicianChoice.COMBINE_OR_CHANGE)),
    Act(
        "combines, with who and when",
        P,
        _decide(PhysicianChoice.COMBINE_OR_CHANGE, responsible=Office.PHYSICIAN, start_by=timedelta(days=14)),
    ),
    Act("stops", P, _decide(PhysicianChoice.STOP)),
    Act("closes a red flag", P, _close(Office.PHYSICIAN)),
    Act("sees the patient", P, _visit(Office.PHYSICIAN)),
    Act("is well", PT, _check_in()),
    Act("snores", PT, _check_in(snoring=Decimal(6))),
    Act("is sleepy", PT, _check_in(epworth_total=17)),
    Act("does not wear it", PT, _check_in(nights_worn=2)),
    Act("sleeps alone", PT, _check_in(snoring=None, witnessed_pauses=None, who_could_hear=Hearer.NOBODY)),
    Act("tells of wear alone", PT, _check_in(snoring=None, restedness=None, epworth_total=None, witnessed_pauses=None)),
    Act("jaw pain 2", PT, _side_effect(2)),
    Act("jaw pain 3", PT, _side_effect(3)),
    Act("locked jaw", PT, _flag(RedFlagKind.LOCKED_JAW)),
    Act("drowsy at the wheel", PT, _flag(RedFlagKind.DROWSY_DRIVING)),
)
WAITS = (7, 28)


@dataclass
class Walk:
    """The states found, a course in each, and what leads from one to another."""

    places: dict[Key, Place] = field(default_factory=dict)
    edges: dict[Key, dict[str, Key]] = field(default_factory=dict)
    acts: list[Act] = field(default_factory=list)


def begin() -> Place:
    """A referral as it comes in, with its baseline still to come."""
    return Place(CaseFacts(referral=Referral(Source("ServiceRequest/1", 1), START)), START)


def undelivered(by_laboratory: bool) -> Place:
    """A referral that names an office which is not registered, as its sender finds it."""
    place = begin()
    assert place.facts.referral
    waiting = replace(place.facts.referral, undelivered_since=START, sent_by_laboratory=by_laboratory)
    return replace(place, facts=replace(place.facts, referral=waiting))


def going_well() -> Place:
    """A course after five weeks that went well: delivered, set once, worn, symptoms settled; by the same acts."""
    place = begin()
    for name in ("sends the baseline", "accepts", "delivers", "advances", "is well", "is well", "is well"):
        act = next(a for a in ACTS if a.name == name)
        reached = act.does(place, place.view())
        assert reached is not None, name
        place = replace(reached, today=reached.today + timedelta(days=8))
    return place


def walk(most: int, without: frozenset[str] = frozenset()) -> Walk:
    """Up to `most` states, breadth first, from a new referral, one not delivered, and a course that went well.

    Acts named in `without` are left out.
    """
    found = Walk(acts=[a for a in ACTS if a.name not in without])
    waiting: deque[Key] = deque()
    for first in (begin(), undelivered(by_laboratory=True), undelivered(by_laboratory=False), going_well()):
        key = key_of(first.view())
        found.places[key] = first
        waiting.append(key)
    while waiting:
        key = waiting.popleft()
        place = found.places[key]
        edges = found.edges.setdefault(key, {})
        for name, reached in _steps(place, found.acts):
            there = key_of(reached.view())
            edges[name] = there
            if there not in found.places and len(found.places) < most:
                found.places[there] = reached
                waiting.append(there)
    return found


def _steps(place: Place, acts: list[Act]) -> Iterator[tuple[str, Place]]:
    view = place.view()
    for act in acts:
        reached = act.does(place, view)
        if reached is not None:
            yield f"{act.party.value}: {act.name}", reached
    if view.stage.name is not StageName.CLOSED:
        for days in WAITS:
            yield f"{days} days pass", replace(place, today=place.today + timedelta(days=days))


def first_overdue(place: Place, thresholds: Thresholds = THRESHOLDS, within: int = 420) -> date | None:
    """The first day on which the case is overdue if nobody does anything; None within so many days."""
    today = place.today
    for _ in range(within // 7):
        view = view_case(place.facts, SITE, today)
        due = overdue_from(view.stage, view.facts, view.follow_up, thresholds, today)
        if due is not None and due <= today:
            return today
        today += timedelta(days=7)
    return None


def party_acts(walked: Walk, key: Key) -> list[str]:
    """The acts of the party whose move it is that change the state, today or tomorrow."""
    own = f"{key[1]}: "
    found = [name for name, there in walked.edges.get(key, {}).items() if name.startswith(own) and there != key]
    if found:
        return found
    place = walked.places[key]
    tomorrow = replace(place, today=place.today + timedelta(days=1))
    acts = [a for a in walked.acts if f"{a.party.value}: " == own]
    return [name for name, reached in _steps(tomorrow, acts) if name.startswith(own) and key_of(reached.view()) != key]
