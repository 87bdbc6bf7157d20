"""Facts from Observations: settings, symptoms, side effects, red flags, assessments, decisions."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from service.fhir.build import Resource
from service.fhir.codes import OVERJET, local, local_code_of
from service.fhir.read_sleep_test import read_measure
from service.fhir.reading import Reading, Small
from service.rules import limits
from service.rules.kinds import Office, OwnReading, PhysicianChoice, RedFlagKind


def read_observation(reading: Reading) -> Small | None:
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


def _timed(reading: Reading, kind: str) -> Small:
    reading.patient()
    moment = reading.moment("effectiveDateTime")
    day, clock = (moment.day.isoformat(), moment.clock) if moment else ("", "")
    return {"kind": kind, "day": day, "clock": clock}


def _setting(reading: Reading) -> Small:
    return {
        **_timed(reading, "setting"),
        "left_mm": reading.part_quantity(local("advance-left"), limits.ADVANCE_MM, needed=True),
        "right_mm": reading.part_quantity(local("advance-right"), limits.ADVANCE_MM, needed=True),
        "difference_intended": bool(reading.part_flag(local("difference-intended"))),
        "taken_back_for_side_effect": bool(reading.part_flag(local("taken-back-for-side-effect"))),
        "reason": reading.part_text(local("setting-reason")) or "",
        "no_further": reading.part_text(local("no-further-reason")) or "",
    }


def _symptom(field: str) -> Callable[[Reading], Small | None]:
    def read(reading: Reading) -> Small | None:
        if _from_a_check_in(reading):
            return None
        value = reading.quantity(reading.resource, "", limits.SCALE_0_TO_10)
        return {**_timed(reading, "check-in"), field: value}

    return read


def _from_a_check_in(reading: Reading) -> bool:
    """Whether the Observation repeats a stored check-in, from which the fact is read already."""
    sources = reading.resource.get("derivedFrom")
    return any(
        isinstance(s, dict) and str(s.get("reference", "")).startswith("QuestionnaireResponse/") for s in sources or []
    )


def _epworth(reading: Reading) -> Small | None:
    if _from_a_check_in(reading):
        return None
    total = reading.whole(reading.resource, "", limits.EPWORTH_TOTAL)
    return {**_timed(reading, "check-in"), "epworth_total": total}


def _wear(reading: Reading) -> Small | None:
    if _from_a_check_in(reading):
        return None
    reported = reading.part_whole(local("nights-reported"), limits.NIGHTS)
    worn = reading.part_whole(local("nights-worn"), limits.NIGHTS)
    if not reading.components(local("nights-reported")) or not reading.components(local("nights-worn")):
        reading.wrong("component", "Components «nights-reported» and «nights-worn» are needed.")
    elif reported is not None and worn is not None and worn > reported:
        reading.wrong("component", f"{worn} nights worn cannot be more than {reported} nights reported on.")
    return {
        **_timed(reading, "check-in"),
        "nights_reported": reported,
        "nights_worn": worn,
        "hours_per_night": reading.part_quantity(local("hours-per-night"), limits.HOURS_PER_NIGHT),
        "hours_slept_per_night": reading.part_quantity(local("hours-slept-per-night"), limits.HOURS_PER_NIGHT),
    }


def _pauses(reading: Reading) -> Small | None:
    if _from_a_check_in(reading):
        return None
    seen = reading.resource.get("valueBoolean")
    if not isinstance(seen, bool):
        reading.wrong("valueBoolean", "Either true or false is needed.")
    return {**_timed(reading, "check-in"), "witnessed_pauses": seen}


def _side_effect(reading: Reading) -> Small:
    timed = _timed(reading, "side-effect")
    concept = reading.resource.get("valueCodeableConcept")
    kind = local_code_of(concept) or _text_of(concept)
    if not kind:
        reading.wrong("valueCodeableConcept", "The kind of side effect is needed, as a code or in text.")
    grade = reading.part_whole(local("side-effect-grade"), limits.SIDE_EFFECT_GRADE)
    if grade is None and not reading.components(local("side-effect-grade")):
        reading.wrong("component", "A component «side-effect-grade» from 0 to 3 is needed.")
    onset = reading.part_day(local("onset")) or timed["day"]
    ended = reading.part_day(local("end"))
    if ended and ended < onset:
        reading.wrong("component", f"The end {ended} lies before the onset {onset}.")
    return {**timed, "side_effect": kind, "grade": grade, "onset": onset, "ended_on": ended}


def _text_of(concept: object) -> str | None:
    text = concept.get("text") if isinstance(concept, dict) else None
    return text.strip().lower() if isinstance(text, str) and text.strip() else None


def _kind_of_flag(reading: Reading) -> str | None:
    kind = local_code_of(reading.resource.get("valueCodeableConcept"))
    if kind not in {k.value for k in RedFlagKind}:
        reading.wrong("valueCodeableConcept", f"A red flag is one of {', '.join(k.value for k in RedFlagKind)}.")
    return kind


def _red_flag(reading: Reading) -> Small:
    kind = _kind_of_flag(reading)
    timed = _timed(reading, "red-flag")
    resolved = reading.part_day(local("end"))
    if resolved and timed["day"] and resolved < timed["day"]:
        reading.wrong("component", f"The end {resolved} lies before the report of {timed['day']}.")
    small: Small = {**timed, "red_flag": kind, "resolved_on": resolved}
    told = {
        "resolved_office": reading.part_choice(local("closing-office"), Office),
        "resolved_by": reading.part_text(local("closed-by")),
        "action_taken": reading.part_text(local("action-taken")),
    }
    return small | {key: value for key, value in told.items() if value is not None}


def _red_flag_closure(reading: Reading) -> Small:
    return {
        **_timed(reading, "red-flag-closure"),
        "red_flag": _kind_of_flag(reading),
        "office": reading.part_choice(local("closing-office"), Office, needed=True),
        "closed_by": reading.part_text(local("closed-by"), needed=True),
        "action_taken": reading.part_text(local("action-taken"), needed=True),
    }


def _assessment(reading: Reading) -> Small:
    overjet = reading.part(OVERJET)
    if not reading.resource.get("component") and reading.resource.get("status") != "entered-in-error":
        reading.wrong("component", "A dental assessment holds at least one finding.")
    protrusive_range = reading.part_quantity(local("protrusive-range"), limits.RANGE_MM)
    if protrusive_range is not None and protrusive_range <= Decimal(0):
        reading.wrong("component", "A protrusive range is more than 0 mm.")
    return {
        **_timed(reading, "assessment"),
        "protrusive_range_mm": protrusive_range,
        "teeth_upper": reading.part_whole(local("teeth-upper"), limits.TEETH_IN_ARCH),
        "teeth_lower": reading.part_whole(local("teeth-lower"), limits.TEETH_IN_ARCH),
        "mobile_teeth": reading.part_flag(local("mobile-teeth")),
        "active_tmj_disorder": reading.part_flag(local("active-tmj-disorder")),
        "overjet_mm": reading.quantity(overjet[0], overjet[1], limits.OVERBITE_MM) if overjet else None,
        "overbite_mm": reading.part_quantity(local("overbite"), limits.OVERBITE_MM),
    }


def _physician_decision(reading: Reading) -> Small:
    choice = local_code_of(reading.resource.get("valueCodeableConcept"))
    if choice not in {c.value for c in PhysicianChoice}:
        reading.wrong("valueCodeableConcept", f"A decision is one of {', '.join(c.value for c in PhysicianChoice)}.")
    return {
        **_timed(reading, "physician-decision"),
        "choice": choice,
        "own_reading": reading.part_choice(local("own-reading"), OwnReading),
        "responsible": reading.part_choice(local("responsible-office"), Office),
        "start_by": reading.part_day(local("start-by")),
    }


def _coverage_documentation(reading: Reading) -> Small:
    return {
        **_timed(reading, "documentation"),
        "ordered_by_treating_practitioner": reading.part_flag(local("ordered-by-treating-practitioner")),
        "dentist_licensed": reading.part_flag(local("provided-by-licensed-dentist")),
    }


def _pap_history(reading: Reading) -> Small:
    text = _text_of(reading.resource.get("valueCodeableConcept")) or ""
    return {**_timed(reading, "pap-history"), "text": text}


_READERS: dict[str, Callable[[Reading], Small | None]] = {
    "protrusion-setting": _setting,
    "snoring": _symptom("snoring"),
    "restedness": _symptom("restedness"),
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
