"""From FHIR resources to the facts of a case.

`read` turns one resource into a small fact as stored; `assemble` joins the small facts of a case into
`CaseFacts`. A sleep test is joined from its DiagnosticReport and Observations, an appliance from Device
and DeviceUseStatement, the referral from ServiceRequest, Task, Condition and Patient, in whatever order
they came.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from datetime import date
from decimal import Decimal
from typing import Any

from service.errors import Problem
from service.fhir.build import Resource
from service.fhir.check_in import read_check_in
from service.fhir.codes import codings_with
from service.fhir.counted import CLOSING_RECORD, NOT_COUNTED, closing_record_of, counted, not_counted_of
from service.fhir.read_observation import read_observation
from service.fhir.read_other import read_other
from service.fhir.read_sleep_test import SHARES_IN_PERCENT, sleep_test_of
from service.fhir.reading import Reading, Small, StoredFact, named_fields
from service.rules.facts import (
    Appliance,
    CancellationRequest,
    CaseFacts,
    CheckIn,
    DentalAssessment,
    PhysicianDecision,
    RedFlag,
    RedFlagClosure,
    Setting,
    SideEffect,
    TestOrder,
    Visit,
    WithdrawnFlag,
)
from service.rules.kinds import (
    Driving,
    HealthChange,
    Hearer,
    Office,
    OwnReading,
    PhysicianChoice,
    RedFlagKind,
    ReferralState,
)
from service.rules.referral_order import Referral
from service.rules.sleep_test import SleepTest
from service.rules.source import Moment, Source

_WITHDRAWN = ("entered-in-error", "cancelled")
_NEVER_CANCELLED = ("red-flag", "side-effect")


def read(resource: Resource, path: str) -> tuple[Small | None, list[Problem]]:
    """The fact in a resource (None when it holds none) and everything wrong with it.

    A resource entered in error holds no fact, but that a red flag was withdrawn; it is still checked.
    """
    reading = Reading(resource, path)
    small = _told(reading)
    if small and small.get("kind") in _NEVER_CANCELLED and resource.get("status") == "cancelled":
        words = "A red flag is closed by the office it is for, and a side effect ends on a day; neither is cancelled."
        reading.wrong("status", words)
    return (_left_of(small) if is_withdrawn(resource) else counted(resource, small)), reading.problems


def _left_of(small: Small | None) -> Small | None:
    """What is left of a fact entered in error: nothing, but of a red flag that it was reported and withdrawn."""
    if small is None or small["kind"] != "red-flag":
        return None
    return {**{key: small[key] for key in ("day", "clock", "red_flag")}, "kind": "withdrawn-flag"}


def told_by(resource: Resource) -> Small | None:
    """The fact a resource tells or, entered in error, told; None when it is of no kind the rules use."""
    return _told(Reading(resource, ""))


def _told(reading: Reading) -> Small | None:
    kind = reading.resource["resourceType"]
    if kind == "Observation":
        return read_observation(reading)
    if kind == "QuestionnaireResponse":
        return read_check_in(reading)
    return read_other(reading)


def is_withdrawn(resource: Resource) -> bool:
    """Whether a resource was entered in error, cancelled or, for a Condition, refuted, and so holds no fact."""
    kind = resource.get("resourceType")
    if kind == "Condition":
        return codings_with(resource.get("verificationStatus"), "entered-in-error", "refuted")
    return kind != "Task" and resource.get("status") in _WITHDRAWN


_DECIMAL_FIELDS = (
    frozenset(
        item.name
        for kind in (SleepTest, DentalAssessment, Appliance, Setting, CheckIn)
        for item in fields(kind)
        if "Decimal" in str(item.type)
    )
    | SHARES_IN_PERCENT
)


def _exact(fact: StoredFact) -> StoredFact:
    """Whole numbers come back from JSON as int; measured values are Decimal throughout the rules."""
    whole = {k: Decimal(v) for k, v in fact.small.items() if type(v) is int and k in _DECIMAL_FIELDS}
    return StoredFact(fact.source, fact.small | whole) if whole else fact


def assemble(stored: Iterable[StoredFact]) -> CaseFacts:
    """The facts of one case. The order of `stored` does not matter."""
    by_kind: dict[str, list[StoredFact]] = {}
    for fact in map(_exact, stored):
        by_kind.setdefault(fact.small["kind"], []).append(fact)

    def of(kind: str) -> list[StoredFact]:
        return by_kind.get(kind, [])

    measures = {f.source.reference: f for f in of("measure")}
    devices = {f.source.reference: f for f in of("device")}
    return CaseFacts(
        referral=_referral(of),
        assessments=tuple(_timed(DentalAssessment, f) for f in of("assessment")),
        appliances=tuple(_appliance(f, devices) for f in of("appliance-use")),
        settings=tuple(_timed(Setting, f) for f in of("setting")),
        check_ins=tuple(_check_in(f) for f in of("check-in")),
        side_effects=tuple(_side_effect(f) for f in of("side-effect")),
        red_flags=tuple(_red_flag(f) for f in of("red-flag")),
        red_flag_closures=tuple(_red_flag_closure(f) for f in of("red-flag-closure")),
        withdrawn_flags=tuple(
            WithdrawnFlag(f.source, _moment(f.small), RedFlagKind(f.small["red_flag"])) for f in of("withdrawn-flag")
        ),
        sleep_tests=tuple(sleep_test_of(f, measures) for f in of("sleep-test")),
        test_orders=tuple(TestOrder(f.source, _day(f.small["day"])) for f in of("test-order")),
        physician_decisions=tuple(_physician_decision(f) for f in of("physician-decision")),
        visits=tuple(Visit(f.source, _day(f.small["visited_on"]), Office(f.small["office"])) for f in of("visit")),
        cancellation_requests=tuple(_cancellation_request(f) for f in of("cancellation-request")),
        not_counted=tuple(not_counted_of(f) for f in of(NOT_COUNTED)),
        closing_records=tuple(closing_record_of(f) for f in of(CLOSING_RECORD)),
    )


def _day(text: str) -> date:
    return date.fromisoformat(text)


def _optional_day(text: str | None) -> date | None:
    return _day(text) if text else None


def _moment(small: Small) -> Moment:
    return Moment(_day(small["day"]), small.get("clock", ""))


def _timed(kind: Any, fact: StoredFact) -> Any:
    """A fact type whose fields bear the names of the small fact's keys, beside its moment."""
    own = {"source": fact.source, "moment": _moment(fact.small)}
    return kind(**(named_fields(kind, fact.small) | own))


def _check_in(fact: StoredFact) -> CheckIn:
    s = fact.small
    held: Small = {
        **s,
        "who_could_hear": Hearer(s["who_could_hear"]) if s.get("who_could_hear") else None,
        "driving": Driving(s["driving"]) if s.get("driving") else None,
        "health_changes": tuple(sorted({HealthChange(change) for change in s.get("health_changes") or ()})),
    }
    return _timed(CheckIn, StoredFact(fact.source, held))


def _cancellation_request(fact: StoredFact) -> CancellationRequest:
    s = fact.small
    return CancellationRequest(fact.source, _day(s["asked_on"]), s["reason"], _optional_day(s["answered_on"]))


def _side_effect(fact: StoredFact) -> SideEffect:
    s = fact.small
    return SideEffect(
        fact.source, _moment(s), s["side_effect"], s["grade"], _day(s["onset"]), _optional_day(s.get("ended_on"))
    )


def _red_flag(fact: StoredFact) -> RedFlag:
    s = fact.small
    return RedFlag(
        fact.source,
        _moment(s),
        RedFlagKind(s["red_flag"]),
        _optional_day(s.get("resolved_on")),
        Office(s.get("resolved_office") or Office.DENTIST),
        s.get("resolved_by") or "",
        s.get("action_taken") or "",
    )


def _red_flag_closure(fact: StoredFact) -> RedFlagClosure:
    s = fact.small
    flag, office = RedFlagKind(s["red_flag"]), Office(s["office"])
    return RedFlagClosure(fact.source, _moment(s), flag, office, s["closed_by"], s["action_taken"])


def _physician_decision(fact: StoredFact) -> PhysicianDecision:
    s = fact.small
    own, responsible = s.get("own_reading"), s.get("responsible")
    return PhysicianDecision(
        fact.source,
        _moment(s),
        PhysicianChoice(s["choice"]),
        OwnReading(own) if own else None,
        Office(responsible) if responsible else None,
        _optional_day(s.get("start_by")),
    )


def _appliance(fact: StoredFact, devices: dict[str, StoredFact]) -> Appliance:
    device = devices.get(fact.small["device"])
    limits: Small = device.small if device else {}
    return Appliance(
        source=fact.source,
        delivered_on=_day(fact.small["delivered_on"]),
        ended_on=_optional_day(fact.small.get("ended_on")),
        maximum_advance_mm=limits.get("maximum_advance_mm"),
        smallest_step_mm=limits.get("smallest_step_mm"),
        starting_position_mm=limits.get("starting_position_mm"),
        limit_source=device.source if device else None,
    )


def _told_in(of: Any, pap: StoredFact | None) -> tuple[tuple[str, Source], ...]:
    """Which resource versions tell the fields of the referral that are no elements of its order."""
    found = {("pap_history", pap.source)} if pap else set()
    found |= {("state", f.source) for f in sorted(of("task"), key=lambda f: f.source)[-1:]}
    found |= {("diagnosis_codes", f.source) for f in of("diagnosis")}
    found |= {("conditions", f.source) for f in of("condition")}
    found |= {("face_to_face_on", f.source) for f in of("evaluation")}
    for name in ("ordered_by_treating_practitioner", "dentist_licensed"):
        found |= {(name, f.source) for f in of("documentation") if f.small.get(name) is not None}
    return tuple(sorted(found))


def _last_told(documented: list[StoredFact], name: str) -> bool | None:
    """What was told of it last; of two told at one moment that differ, the one that denies it."""
    told = [(_moment(f.small), not said, said) for f in documented if (said := f.small.get(name)) is not None]
    return max(told)[2] if told else None


def _undelivered_since(tasks: list[StoredFact]) -> date | None:
    held = tasks[-1].small.get("undelivered_since") if tasks else None
    return _day(held) if held else None


def _referral(of: Any) -> Referral | None:
    """The referral of the case: the earliest order, its Task's state and what the referral carries along."""
    orders: list[StoredFact] = sorted(of("referral"), key=lambda f: (f.small["day"], f.source))
    if not orders:
        return None
    order = orders[0]
    tasks: list[StoredFact] = sorted(of("task"), key=lambda f: f.source)
    pap = max(of("pap-history"), key=lambda f: (_moment(f.small), f.small["text"], f.source), default=None)
    codes = {code for f in of("diagnosis") for code in f.small["codes"]}
    told = pap.small["text"] if pap else None
    seen = [_day(f.small["visited_on"]) for f in of("evaluation")]
    documented = of("documentation")
    return Referral(
        source=order.source,
        day=_day(order.small["day"]),
        state=ReferralState(tasks[-1].small["state"]) if tasks else ReferralState.REQUESTED,
        state_since=tuple(
            (_day(on), ReferralState(state)) for on, state in (tasks[-1].small["moves"] if tasks else ())
        ),
        birth_date=None,
        prescriber=order.small.get("prescriber"),
        dental_office=order.small.get("dental_office"),
        diagnosis_codes=tuple(sorted(codes)),
        pap_history=told,
        conditions=tuple(sorted({f.small["condition"] for f in of("condition")})),
        face_to_face_on=min(seen, default=None),
        ordered_by_treating_practitioner=_last_told(documented, "ordered_by_treating_practitioner"),
        pap_contraindicated=True if told == "contraindicated" else None,
        dentist_licensed=_last_told(documented, "dentist_licensed"),
        told_in=_told_in(of, pap),
        undelivered_since=_undelivered_since(tasks),
        sent_by_laboratory=bool(tasks) and tasks[-1].small.get("undelivered") == "undelivered-laboratory",
    )
