"""Facts from Observations: settings, symptoms, side effects, red flags, assessments, sleep-test measures."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from service.fhir.codes import AHI_24_HOUR, APNOEA_INDEX, ODI, OVERJET, has_code, local, local_code_of
from service.fhir.reading import Reading, Small
from service.rules import limits
from service.rules.kinds import HypopnoeaRule, PhysicianChoice, RedFlagKind, Worn

RULE_CODES = {
    "hypopnoea-3-percent-or-arousal": HypopnoeaRule.THREE_PERCENT_OR_AROUSAL,
    "hypopnoea-4-percent": HypopnoeaRule.FOUR_PERCENT,
    "hypopnoea-rule-unknown": HypopnoeaRule.UNKNOWN,
}
_SINGLE_MEASURES = {
    "recording-time": ("recording_hours", limits.RECORDING_HOURS),
    "lowest-spo2": ("lowest_spo2_percent", limits.SPO2_PERCENT),
    "t90": ("t90_percent", limits.SHARE_PERCENT),
    "supine-index": ("supine_per_hour", limits.INDEX_PER_HOUR),
    "non-supine-index": ("non_supine_per_hour", limits.INDEX_PER_HOUR),
    "central-share": ("central_share_percent", limits.SHARE_PERCENT),
}
_INDEX_NAMES = {"ahi": "AHI", "rei": "REI", "rdi": "RDI"}


def read_observation(reading: Reading) -> Small | None:
    """The fact in an Observation; None when its code is not one the rules use."""
    concept = reading.resource.get("code")
    if has_code(concept, APNOEA_INDEX):
        reading.wrong(
            "code",
            "LOINC 90562-0 is the apnoea index, not the apnoea-hypopnoea index; send the index that was measured.",
        )
        return None
    if has_code(concept, ODI):
        return _odi(reading)
    code = "ahi" if has_code(concept, AHI_24_HOUR) else local_code_of(concept)
    if code in _INDEX_NAMES:
        return _index(reading, _INDEX_NAMES[code])
    if code in _SINGLE_MEASURES:
        name, limit = _SINGLE_MEASURES[code]
        return {"kind": "measure", name: reading.quantity(reading.resource, "", limit)}
    reader = _READERS.get(code or "")
    return reader(reading) if reader else None


def _timed(reading: Reading, kind: str) -> Small:
    reading.patient()
    moment = reading.moment("effectiveDateTime")
    day, clock = (moment.day.isoformat(), moment.clock) if moment else ("", "")
    return {"kind": kind, "day": day, "clock": clock}


def _index(reading: Reading, name: str) -> Small:
    rule = "hypopnoea-rule-unknown"
    if "method" in reading.resource:
        given = local_code_of(reading.resource["method"])
        if given in RULE_CODES:
            rule = given
        else:
            reading.wrong("method", f"The hypopnoea rule must be one of {', '.join(RULE_CODES)}.")
    events = reading.part_quantity(local("event-count"), limits.EVENT_COUNT)
    if events is not None and events != events.to_integral_value():
        reading.wrong("component", "Events are counted in whole numbers.")
        events = None
    return {
        "kind": "measure",
        "index_name": name,
        "index_per_hour": reading.quantity(reading.resource, "", limits.INDEX_PER_HOUR),
        "hypopnoea_rule": RULE_CODES[rule].value,
        "event_count": None if events is None else int(events),
        "worn": Worn.ALL_NIGHT if "device" in reading.resource else Worn.UNKNOWN,
        "setting_left_mm": reading.part_quantity(local("advance-left"), limits.ADVANCE_MM),
        "setting_right_mm": reading.part_quantity(local("advance-right"), limits.ADVANCE_MM),
    }


def _odi(reading: Reading) -> Small:
    drop = reading.part_quantity(local("desaturation-drop"), limits.ODI_DROP_PERCENT, needed=True)
    return {
        "kind": "measure",
        "odi_per_hour": reading.quantity(reading.resource, "", limits.INDEX_PER_HOUR),
        "odi_drop_percent": None if drop is None else int(drop),
    }


def _setting(reading: Reading) -> Small:
    return {
        **_timed(reading, "setting"),
        "left_mm": reading.part_quantity(local("advance-left"), limits.ADVANCE_MM, needed=True),
        "right_mm": reading.part_quantity(local("advance-right"), limits.ADVANCE_MM, needed=True),
        "difference_intended": bool(reading.part_flag(local("difference-intended"))),
        "taken_back_for_side_effect": bool(reading.part_flag(local("taken-back-for-side-effect"))),
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


def _red_flag(reading: Reading) -> Small:
    kind = local_code_of(reading.resource.get("valueCodeableConcept"))
    if kind not in {k.value for k in RedFlagKind}:
        reading.wrong("valueCodeableConcept", f"A red flag is one of {', '.join(k.value for k in RedFlagKind)}.")
    timed = _timed(reading, "red-flag")
    resolved = reading.part_day(local("end"))
    if resolved and timed["day"] and resolved < timed["day"]:
        reading.wrong("component", f"The end {resolved} lies before the report of {timed['day']}.")
    return {**timed, "red_flag": kind, "resolved_on": resolved}


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
    return {**_timed(reading, "physician-decision"), "choice": choice}


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
    "dental-assessment": _assessment,
    "physician-decision": _physician_decision,
    "pap-history": _pap_history,
    "coverage-documentation": _coverage_documentation,
}
