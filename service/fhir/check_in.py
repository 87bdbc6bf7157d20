"""The patient's check-in: a QuestionnaireResponse, the fact in it, and the Observations derived from it.

https://hl7.org/fhir/R4/questionnaireresponse.html. The Epworth scale enters as a total only: its items
are copyrighted, and one missing item makes the total missing.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.fhir.build import Draft, Resource, component, quantity, ref
from service.fhir.codes import BASE, SURVEY_CATEGORY, THERAPY_CATEGORY, local
from service.fhir.reading import Reading, Small
from service.rules import limits
from service.rules.kinds import Driving, HealthChange, Hearer
from service.rules.limits import Limit

QUESTIONNAIRE = f"{BASE}/Questionnaire/check-in"
REPORTERS = ("patient", "bed-partner", "sensor")

_DECIMALS: dict[str, tuple[str, Limit]] = {
    "snoring": ("snoring", limits.SCALE_0_TO_10),
    "restedness": ("restedness", limits.SCALE_0_TO_10),
    "hours-per-night": ("hours_per_night", limits.HOURS_PER_NIGHT),
    "hours-slept-per-night": ("hours_slept_per_night", limits.HOURS_PER_NIGHT),
    "weight-kg": ("weight_kg", limits.WEIGHT_KG),
}
_WHOLES: dict[str, tuple[str, Limit]] = {
    "epworth-total": ("epworth_total", limits.EPWORTH_TOTAL),
    "nights-reported": ("nights_reported", limits.NIGHTS),
    "nights-worn": ("nights_worn", limits.NIGHTS),
    "recorder-nights": ("recorder_nights", limits.RECORDER_NIGHTS),
}
CHOICES: dict[str, tuple[str, tuple[str, ...], str]] = {
    "reported-by": ("reported_by", REPORTERS, "A check-in is reported by one of"),
    "who-could-hear": ("who_could_hear", tuple(Hearer), "The patient could be heard by one of"),
    "driving": ("driving", tuple(Driving), "What the patient drives is one of"),
    "health-changes": ("health_changes", tuple(HealthChange), "A change of health is one of"),
}
"""Questions answered by a word of a list: the field, the words, and the sentence that names them."""
_SEVERAL = "health-changes"
"""The one question that may have several answers, each once."""
LINK_IDS = {
    "reported_by": "reported-by",
    "snoring": "snoring",
    "restedness": "restedness",
    "epworth_total": "epworth-total",
    "nights_reported": "nights-reported",
    "nights_worn": "nights-worn",
    "hours_per_night": "hours-per-night",
    "hours_slept_per_night": "hours-slept-per-night",
    "witnessed_pauses": "witnessed-pauses",
    "weight_kg": "weight-kg",
    "who_could_hear": "who-could-hear",
    "recorder_nights": "recorder-nights",
    "driving": "driving",
    "health_changes": "health-changes",
}
"""The questions by field, in the order of the questionnaire: R4 asks for answers in that order."""


def answers(values: dict[str, Any]) -> list[Resource]:
    """Items of a QuestionnaireResponse from check-in values; values that are None are left out."""
    items: list[Resource] = []
    for field, link in LINK_IDS.items():
        value = values.get(field)
        if value is None or value in ((), []):
            continue
        key = (
            "valueDecimal"
            if link in _DECIMALS
            else "valueInteger"
            if link in _WHOLES
            else "valueString"
            if link in CHOICES
            else "valueBoolean"
        )
        given = value if link == _SEVERAL else [value]
        items.append({"linkId": link, "answer": [{key: one} for one in given]})
    return items


def read_check_in(reading: Reading) -> Small | None:
    """The check-in in a QuestionnaireResponse; None when it answers another questionnaire."""
    if str(reading.resource.get("questionnaire", "")).split("|")[0] != QUESTIONNAIRE:
        return None
    moment = reading.moment("authored")
    reading.patient()
    small: Small = {
        "kind": "check-in",
        "day": moment.day.isoformat() if moment else "",
        "clock": moment.clock if moment else "",
    }
    held = reading.resource.get("item")
    seen: set[str] = set()
    for index, item in enumerate(held if isinstance(held, list) else []):
        link = item.get("linkId") if isinstance(item, dict) else None
        where = f"item[{index}]"
        if not isinstance(link, str) or link not in LINK_IDS.values():
            reading.wrong(f"{where}.linkId", f"The check-in has no question «{link}».")
        elif link in seen:
            reading.wrong(f"{where}.linkId", f"The question «{link}» is answered twice.")
        else:
            seen.add(link)
            _read_answer(reading, small, link, item, where)
    _check_nights(reading, small)
    if not seen - {"reported-by"}:
        reading.wrong("item", "A check-in answers at least one question.")
    return small


def _read_answer(reading: Reading, small: Small, link: str, item: Resource, where: str) -> None:
    given = item.get("answer")
    if link == _SEVERAL and isinstance(given, list) and given:
        _read_several(reading, small, link, given, where)
        return
    if not isinstance(given, list) or len(given) != 1 or not isinstance(given[0], dict):
        reading.wrong(f"{where}.answer", "Exactly one answer is needed.")
        return
    answer, spot = given[0], f"{where}.answer[0]"
    if link in _DECIMALS:
        field, limit = _DECIMALS[link]
        value = answer.get("valueDecimal")
        if not isinstance(value, int | Decimal) or isinstance(value, bool):
            reading.wrong(f"{spot}.valueDecimal", "A number is needed.")
        else:
            small[field] = reading.within(Decimal(value), f"{spot}.valueDecimal", limit)
    elif link in _WHOLES:
        field, limit = _WHOLES[link]
        small[field] = reading.whole(answer, spot, limit)
    elif link == "witnessed-pauses":
        small["witnessed_pauses"] = reading.flag(answer, spot)
    else:
        small[CHOICES[link][0]] = _choice(reading, link, answer, spot)


def _choice(reading: Reading, link: str, answer: Any, spot: str) -> str | None:
    _, words, sentence = CHOICES[link]
    said = answer.get("valueString") if isinstance(answer, dict) else None
    if said in words:
        return said
    reading.wrong(f"{spot}.valueString", f"{sentence} {', '.join(words)}.")
    return None


def _read_several(reading: Reading, small: Small, link: str, given: list[Any], where: str) -> None:
    told: list[str | None] = []
    for place, answer in enumerate(given):
        spot = f"{where}.answer[{place}]"
        said = _choice(reading, link, answer, spot)
        if said is not None and said in told:
            reading.wrong(f"{spot}.valueString", f"«{said}» is answered twice.")
        told.append(said)
    small[CHOICES[link][0]] = told


def _check_nights(reading: Reading, small: Small) -> None:
    reported, worn = small.get("nights_reported"), small.get("nights_worn")
    if (reported is None) != (worn is None):
        reading.wrong("item", "Nights worn and nights reported on belong together.")
    elif reported is not None and worn is not None and worn > reported:
        reading.wrong("item", f"{worn} nights worn cannot be more than {reported} nights reported on.")
    if small.get("hours_per_night") is not None and worn is None:
        reading.wrong("item", "Hours per night need the nights they were averaged over.")


def derived_observations(response: Resource, small: Small) -> list[tuple[str, Resource]]:
    """The Observations a check-in gives, each with the suffix of its id. `response` may be a draft."""
    statuses = {"entered-in-error": "entered-in-error", "in-progress": "preliminary", "stopped": "preliminary"}
    common: Resource = {
        "resourceType": "Observation",
        "status": statuses.get(str(response.get("status")), "final"),
        "category": [SURVEY_CATEGORY.concept],
        "subject": response["subject"],
        "effectiveDateTime": response["authored"],
    }
    if "basedOn" in response:
        common["basedOn"] = response["basedOn"]
    made: list[tuple[str, Resource]] = []

    def add(suffix: str, code: str, **value: Any) -> None:
        made.append((suffix, {**common, "code": local(code).concept, **value}))

    for name in ("snoring", "restedness"):
        if small.get(name) is not None:
            add(name, name, valueQuantity=quantity(small[name], "{score}"))
    if small.get("epworth_total") is not None:
        add("epworth", "epworth-total", valueInteger=small["epworth_total"])
    if small.get("witnessed_pauses") is not None:
        add("pauses", "witnessed-pauses", valueBoolean=small["witnessed_pauses"])
    if small.get("nights_reported") is not None:
        parts = [
            component(local("nights-reported"), "valueInteger", small["nights_reported"]),
            component(local("nights-worn"), "valueInteger", small["nights_worn"]),
        ]
        for field, code in (("hours_per_night", "hours-per-night"), ("hours_slept_per_night", "hours-slept-per-night")):
            if small.get(field) is not None:
                parts.append(component(local(code), "valueQuantity", quantity(small[field], "h")))
        add("wear", "wear", component=parts, category=[THERAPY_CATEGORY.concept])
    if small.get("weight_kg") is not None:
        add("weight", "body-weight-reported", valueQuantity=quantity(small["weight_kg"], "kg"))
    return made


def with_derived(draft: Draft) -> list[Draft]:
    """A check-in draft, followed by drafts of the Observations derived from it; other drafts stand alone."""
    if draft.type != "QuestionnaireResponse":
        return [draft]
    reading = Reading(draft.resource, draft.path)
    small = read_check_in(reading)
    if small is None or reading.problems:
        return [draft]
    derived = [
        Draft(
            resource={**observation, "derivedFrom": [ref(draft.local)]},
            local=f"{draft.local}-{suffix}",
            path=draft.path,
            parent=(draft.local, suffix),
            revises=True,
        )
        for suffix, observation in derived_observations(draft.resource, small)
    ]
    return [draft, *derived]
