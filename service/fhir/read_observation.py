"""Facts from Observations: settings, symptoms, side effects, red flags, assessments, decisions."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from service.fhir.build import Resource
from service.fhir.codes import OVERJET, local, local_code_of
from service.fhir.facts.fact import Reported, Unread
from service.fhir.facts.referral import DocumentationFact, PapHistoryFact
from service.fhir.facts.treatment import (
    AssessmentFact,
    CheckInFact,
    PhysicianDecisionFact,
    RedFlagClosureFact,
    RedFlagFact,
    SettingFact,
    SideEffectFact,
)
from service.fhir.facts.words import FactKind
from service.fhir.json_parts import object_in, objects_in
from service.fhir.read_sleep_test import read_measure
from service.fhir.reading import Reading, word_of
from service.rules import limits
from service.rules.kinds import Office, OwnReading, PhysicianChoice, RedFlagKind
from service.rules.source import Moment


def read_observation(reading: Reading) -> Reported | None:
    """The fact in an Observation; None when its code is not one the rules use."""
    is_measure, measure = read_measure(reading)
    if is_measure:
        return measure
    code = local_code_of(reading.resource.get("code"))
    reader = _READERS.get(code or "")
    return reader(reading) if reader else None


def is_red_flag_closure(resource: Resource) -> bool:
    """Whether a resource closes a red flag, which stays possible once the referral has ended."""
    return resource.get("resourceType") == "Observation" and local_code_of(resource.get("code")) == "red-flag-closure"


def _when(reading: Reading) -> Moment | None:
    """The moment of an Observation that names its patient."""
    reading.patient()
    return reading.moment("effectiveDateTime")


def _setting(reading: Reading) -> SettingFact | Unread:
    when = _when(reading)
    left = reading.part_quantity(local("advance-left"), limits.ADVANCE_MM, needed=True)
    right = reading.part_quantity(local("advance-right"), limits.ADVANCE_MM, needed=True)
    intended = bool(reading.part_flag(local("difference-intended")))
    taken_back = bool(reading.part_flag(local("taken-back-for-side-effect")))
    reason = reading.part_text(local("setting-reason")) or ""
    no_further = reading.part_text(local("no-further-reason")) or ""
    if when is None or left is None or right is None:
        return Unread(FactKind.SETTING)
    return SettingFact(
        day=when.day,
        clock=when.clock,
        left_mm=left,
        right_mm=right,
        difference_intended=intended,
        taken_back_for_side_effect=taken_back,
        reason=reason,
        no_further=no_further,
    )


def _repeats_a_check_in(reading: Reading) -> bool:
    """Whether the Observation repeats a stored check-in, from which the fact is read already."""
    sources = objects_in(reading.resource.get("derivedFrom"))
    return any(str(s.get("reference", "")).startswith("QuestionnaireResponse/") for s in sources)


def _snoring(reading: Reading) -> CheckInFact | Unread | None:
    if _repeats_a_check_in(reading):
        return None
    value = reading.quantity(reading.resource, "", limits.SCALE_0_TO_10)
    when = _when(reading)
    if when is None or value is None:
        return Unread(FactKind.CHECK_IN)
    return CheckInFact(day=when.day, clock=when.clock, snoring=value)


def _restedness(reading: Reading) -> CheckInFact | Unread | None:
    if _repeats_a_check_in(reading):
        return None
    value = reading.quantity(reading.resource, "", limits.SCALE_0_TO_10)
    when = _when(reading)
    if when is None or value is None:
        return Unread(FactKind.CHECK_IN)
    return CheckInFact(day=when.day, clock=when.clock, restedness=value)


def _epworth(reading: Reading) -> CheckInFact | Unread | None:
    if _repeats_a_check_in(reading):
        return None
    total = reading.whole(reading.resource, "", limits.EPWORTH_TOTAL)
    when = _when(reading)
    if when is None or total is None:
        return Unread(FactKind.CHECK_IN)
    return CheckInFact(day=when.day, clock=when.clock, epworth_total=total)


def _wear(reading: Reading) -> CheckInFact | Unread | None:
    if _repeats_a_check_in(reading):
        return None
    reported = reading.part_whole(local("nights-reported"), limits.NIGHTS)
    worn = reading.part_whole(local("nights-worn"), limits.NIGHTS)
    if not reading.components(local("nights-reported")) or not reading.components(local("nights-worn")):
        reading.wrong("component", "Components «nights-reported» and «nights-worn» are needed.")
    elif reported is not None and worn is not None and worn > reported:
        reading.wrong("component", f"{worn} nights worn cannot be more than {reported} nights reported on.")
    when = _when(reading)
    hours = reading.part_quantity(local("hours-per-night"), limits.HOURS_PER_NIGHT)
    slept = reading.part_quantity(local("hours-slept-per-night"), limits.HOURS_PER_NIGHT)
    if when is None:
        return Unread(FactKind.CHECK_IN)
    return CheckInFact(
        day=when.day,
        clock=when.clock,
        nights_reported=reported,
        nights_worn=worn,
        hours_per_night=hours,
        hours_slept_per_night=slept,
    )


def _pauses(reading: Reading) -> CheckInFact | Unread | None:
    if _repeats_a_check_in(reading):
        return None
    seen = reading.resource.get("valueBoolean")
    if not isinstance(seen, bool):
        reading.wrong("valueBoolean", "Either true or false is needed.")
    when = _when(reading)
    if when is None or not isinstance(seen, bool):
        return Unread(FactKind.CHECK_IN)
    return CheckInFact(day=when.day, clock=when.clock, witnessed_pauses=seen)


def _side_effect(reading: Reading) -> SideEffectFact | Unread:
    when = _when(reading)
    concept = reading.resource.get("valueCodeableConcept")
    kind = local_code_of(concept) or _text_of(concept)
    if not kind:
        reading.wrong("valueCodeableConcept", "The kind of side effect is needed, as a code or in text.")
    grade = reading.part_whole(local("side-effect-grade"), limits.SIDE_EFFECT_GRADE)
    if grade is None and not reading.components(local("side-effect-grade")):
        reading.wrong("component", "A component «side-effect-grade» from 0 to 3 is needed.")
    onset = reading.part_day(local("onset")) or (when.day if when else None)
    ended = reading.part_day(local("end"))
    if ended and onset and ended < onset:
        reading.wrong("component", f"The end {ended} lies before the onset {onset}.")
    if when is None or not kind or grade is None or onset is None:
        return Unread(FactKind.SIDE_EFFECT, days=tuple(day for day in (onset, ended) if day))
    return SideEffectFact(day=when.day, clock=when.clock, side_effect=kind, grade=grade, onset=onset, ended_on=ended)


def _text_of(concept: object) -> str | None:
    text = (object_in(concept) or {}).get("text")
    return text.strip().lower() if isinstance(text, str) and text.strip() else None


def _kind_of_flag(reading: Reading) -> RedFlagKind | None:
    kind = word_of(RedFlagKind, local_code_of(reading.resource.get("valueCodeableConcept")))
    if kind is None:
        reading.wrong("valueCodeableConcept", f"A red flag is one of {', '.join(k.value for k in RedFlagKind)}.")
    return kind


def _red_flag(reading: Reading) -> RedFlagFact | Unread:
    kind = _kind_of_flag(reading)
    when = _when(reading)
    resolved = reading.part_day(local("end"))
    if resolved and when and resolved < when.day:
        reading.wrong("component", f"The end {resolved} lies before the report of {when.day}.")
    office = reading.part_choice(local("closing-office"), Office)
    resolved_by = reading.part_text(local("closed-by")) or ""
    action_taken = reading.part_text(local("action-taken")) or ""
    if kind is None or when is None:
        return Unread(FactKind.RED_FLAG, office, kind, (resolved,) if resolved else ())
    return RedFlagFact(
        day=when.day,
        clock=when.clock,
        red_flag=kind,
        resolved_on=resolved,
        resolved_office=office,
        resolved_by=resolved_by,
        action_taken=action_taken,
    )


def _red_flag_closure(reading: Reading) -> RedFlagClosureFact | Unread:
    when = _when(reading)
    kind = _kind_of_flag(reading)
    office = reading.part_choice(local("closing-office"), Office, needed=True)
    closed_by = reading.part_text(local("closed-by"), needed=True)
    action_taken = reading.part_text(local("action-taken"), needed=True)
    if when is None or kind is None or office is None or closed_by is None or action_taken is None:
        return Unread(FactKind.RED_FLAG_CLOSURE, office, kind)
    return RedFlagClosureFact(
        day=when.day, clock=when.clock, red_flag=kind, office=office, closed_by=closed_by, action_taken=action_taken
    )


def _assessment(reading: Reading) -> AssessmentFact | Unread:
    overjet = reading.part(OVERJET)
    if not reading.resource.get("component") and reading.resource.get("status") != "entered-in-error":
        reading.wrong("component", "A dental assessment holds at least one finding.")
    protrusive_range = reading.part_quantity(local("protrusive-range"), limits.RANGE_MM)
    if protrusive_range is not None and protrusive_range <= Decimal(0):
        reading.wrong("component", "A protrusive range is more than 0 mm.")
    when = _when(reading)
    upper = reading.part_whole(local("teeth-upper"), limits.TEETH_IN_ARCH)
    lower = reading.part_whole(local("teeth-lower"), limits.TEETH_IN_ARCH)
    mobile = reading.part_flag(local("mobile-teeth"))
    disorder = reading.part_flag(local("active-tmj-disorder"))
    overjet_mm = reading.quantity(overjet[0], overjet[1], limits.OVERBITE_MM) if overjet else None
    overbite_mm = reading.part_quantity(local("overbite"), limits.OVERBITE_MM)
    if when is None:
        return Unread(FactKind.ASSESSMENT)
    return AssessmentFact(
        day=when.day,
        clock=when.clock,
        protrusive_range_mm=protrusive_range,
        teeth_upper=upper,
        teeth_lower=lower,
        mobile_teeth=mobile,
        active_tmj_disorder=disorder,
        overjet_mm=overjet_mm,
        overbite_mm=overbite_mm,
    )


def _physician_decision(reading: Reading) -> PhysicianDecisionFact | Unread:
    choice = word_of(PhysicianChoice, local_code_of(reading.resource.get("valueCodeableConcept")))
    if choice is None:
        reading.wrong("valueCodeableConcept", f"A decision is one of {', '.join(c.value for c in PhysicianChoice)}.")
    when = _when(reading)
    own_reading = reading.part_choice(local("own-reading"), OwnReading)
    responsible = reading.part_choice(local("responsible-office"), Office)
    start_by = reading.part_day(local("start-by"))
    if choice is None or when is None:
        return Unread(FactKind.PHYSICIAN_DECISION)
    return PhysicianDecisionFact(
        day=when.day,
        clock=when.clock,
        choice=choice,
        own_reading=own_reading,
        responsible=responsible,
        start_by=start_by,
    )


def _coverage_documentation(reading: Reading) -> DocumentationFact | Unread:
    when = _when(reading)
    ordered = reading.part_flag(local("ordered-by-treating-practitioner"))
    licensed = reading.part_flag(local("provided-by-licensed-dentist"))
    if when is None:
        return Unread(FactKind.DOCUMENTATION)
    return DocumentationFact(
        day=when.day, clock=when.clock, ordered_by_treating_practitioner=ordered, dentist_licensed=licensed
    )


def _pap_history(reading: Reading) -> PapHistoryFact | Unread:
    text = _text_of(reading.resource.get("valueCodeableConcept")) or ""
    when = _when(reading)
    return PapHistoryFact(day=when.day, clock=when.clock, text=text) if when else Unread(FactKind.PAP_HISTORY)


_READERS: dict[str, Callable[[Reading], Reported | None]] = {
    "protrusion-setting": _setting,
    "snoring": _snoring,
    "restedness": _restedness,
    "epworth-total": _epworth,
    "wear": _wear,
    "witnessed-pauses": _pauses,
    "side-effect": _side_effect,
    "red-flag": _red_flag,
    "red-flag-closure": _red_flag_closure,
    "dental-assessment": _assessment,
    "physician-decision": _physician_decision,
    "pap-history": _pap_history,
    "coverage-documentation": _coverage_documentation,
}
