"""The patient's check-in: a QuestionnaireResponse, the fact in it, and the Observations derived from it.

https://hl7.org/fhir/R4/questionnaireresponse.html. The Epworth scale enters as a total only: its items
are copyrighted, and one missing item makes the total missing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from service.fhir.build import Draft, Resource, component, quantity, ref
from service.fhir.codes import BASE, SURVEY_CATEGORY, THERAPY_CATEGORY, local
from service.fhir.facts.fact import Unread
from service.fhir.facts.treatment import CheckInFact
from service.fhir.facts.words import FactKind, Reporter
from service.fhir.json_parts import list_in, object_in
from service.fhir.reading import Reading, word_of
from service.rules import limits
from service.rules.kinds import Driving, HealthChange, Hearer
from service.rules.limits import Limit

QUESTIONNAIRE = f"{BASE}/Questionnaire/check-in"

_DECIMALS: dict[str, Limit] = {
    "snoring": limits.SCALE_0_TO_10,
    "restedness": limits.SCALE_0_TO_10,
    "hours-per-night": limits.HOURS_PER_NIGHT,
    "hours-slept-per-night": limits.HOURS_PER_NIGHT,
    "weight-kg": limits.WEIGHT_KG,
}
_WHOLES: dict[str, Limit] = {
    "epworth-total": limits.EPWORTH_TOTAL,
    "nights-reported": limits.NIGHTS,
    "nights-worn": limits.NIGHTS,
    "recorder-nights": limits.RECORDER_NIGHTS,
}
CHOICES: dict[str, tuple[tuple[str, ...], str]] = {
    "reported-by": (tuple(Reporter), "A check-in is reported by one of"),
    "who-could-hear": (tuple(Hearer), "The patient could be heard by one of"),
    "driving": (tuple(Driving), "What the patient drives is one of"),
    "health-changes": (tuple(HealthChange), "A change of health is one of"),
}
"""Questions answered by a word of a list: the words, and the sentence that names them."""
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
    for name, link in LINK_IDS.items():
        value = values.get(name)
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


@dataclass(slots=True)
class _Answers:
    """The answers of one check-in by the `linkId` of their question, by the type of their value."""

    decimals: dict[str, Decimal] = field(default_factory=dict[str, Decimal])
    wholes: dict[str, int] = field(default_factory=dict[str, int])
    words: dict[str, list[str]] = field(default_factory=dict[str, list[str]])
    pauses: bool | None = None

    def word(self, link: str) -> str | None:
        """The one word that answers a question."""
        return next(iter(self.words.get(link, ())), None)


def read_check_in(reading: Reading) -> CheckInFact | Unread | None:
    """The check-in in a QuestionnaireResponse; None when it answers another questionnaire."""
    if str(reading.resource.get("questionnaire", "")).split("|")[0] != QUESTIONNAIRE:
        return None
    moment = reading.moment("authored")
    reading.patient()
    collected = _Answers()
    seen: set[str] = set()
    for index, given in enumerate(list_in(reading.resource.get("item"))):
        item = object_in(given) or {}
        link, where = item.get("linkId"), f"item[{index}]"
        if not isinstance(link, str) or link not in LINK_IDS.values():
            reading.wrong(f"{where}.linkId", f"The check-in has no question «{link}».")
        elif link in seen:
            reading.wrong(f"{where}.linkId", f"The question «{link}» is answered twice.")
        else:
            seen.add(link)
            _read_answer(reading, collected, link, list_in(item.get("answer")), where)
    _check_nights(reading, collected)
    if not seen - {"reported-by"}:
        reading.wrong("item", "A check-in answers at least one question.")
    reporter = word_of(Reporter, collected.word("reported-by"))
    if moment is None or (reporter is None and "reported-by" in seen):
        return Unread(FactKind.CHECK_IN)
    decimals, wholes = collected.decimals, collected.wholes
    return CheckInFact(
        day=moment.day,
        clock=moment.clock,
        reported_by=reporter or Reporter.PATIENT,
        snoring=decimals.get("snoring"),
        restedness=decimals.get("restedness"),
        epworth_total=wholes.get("epworth-total"),
        nights_reported=wholes.get("nights-reported"),
        nights_worn=wholes.get("nights-worn"),
        hours_per_night=decimals.get("hours-per-night"),
        hours_slept_per_night=decimals.get("hours-slept-per-night"),
        witnessed_pauses=collected.pauses,
        weight_kg=decimals.get("weight-kg"),
        who_could_hear=word_of(Hearer, collected.word("who-could-hear")),
        recorder_nights=wholes.get("recorder-nights"),
        driving=word_of(Driving, collected.word("driving")),
        health_changes=tuple(HealthChange(word) for word in collected.words.get(_SEVERAL, ())),
    )


def _read_answer(reading: Reading, collected: _Answers, link: str, given: list[Any], where: str) -> None:
    if link == _SEVERAL and given:
        collected.words[link] = _several(reading, link, given, where)
        return
    answer, spot = object_in(given[0]) if len(given) == 1 else None, f"{where}.answer[0]"
    if answer is None:
        reading.wrong(f"{where}.answer", "Exactly one answer is needed.")
    elif link in _DECIMALS:
        value = answer.get("valueDecimal")
        if not isinstance(value, int | Decimal) or isinstance(value, bool):
            reading.wrong(f"{spot}.valueDecimal", "A number is needed.")
        elif (checked := reading.within(Decimal(value), f"{spot}.valueDecimal", _DECIMALS[link])) is not None:
            collected.decimals[link] = checked
    elif link in _WHOLES:
        if (number := reading.whole(answer, spot, _WHOLES[link])) is not None:
            collected.wholes[link] = number
    elif link == "witnessed-pauses":
        collected.pauses = reading.flag(answer, spot)
    elif (word := _choice(reading, link, answer, spot)) is not None:
        collected.words[link] = [word]


def _choice(reading: Reading, link: str, answer: object, spot: str) -> str | None:
    words, sentence = CHOICES[link]
    word = (object_in(answer) or {}).get("valueString")
    if word in words:
        return str(word)
    reading.wrong(f"{spot}.valueString", f"{sentence} {', '.join(words)}.")
    return None


def _several(reading: Reading, link: str, given: list[Any], where: str) -> list[str]:
    found: list[str] = []
    for place, answer in enumerate(given):
        spot = f"{where}.answer[{place}]"
        word = _choice(reading, link, answer, spot)
        if word is not None and word in found:
            reading.wrong(f"{spot}.valueString", f"«{word}» is answered twice.")
        elif word is not None:
            found.append(word)
    return found


def _check_nights(reading: Reading, collected: _Answers) -> None:
    reported, worn = collected.wholes.get("nights-reported"), collected.wholes.get("nights-worn")
    if (reported is None) != (worn is None):
        reading.wrong("item", "Nights worn and nights reported on belong together.")
    elif reported is not None and worn is not None and worn > reported:
        reading.wrong("item", f"{worn} nights worn cannot be more than {reported} nights reported on.")
    if "hours-per-night" in collected.decimals and worn is None:
        reading.wrong("item", "Hours per night need the nights they were averaged over.")


def derived_observations(response: Resource, fact: CheckInFact) -> list[tuple[str, Resource]]:
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

    if fact.snoring is not None:
        add("snoring", "snoring", valueQuantity=quantity(fact.snoring, "{score}"))
    if fact.restedness is not None:
        add("restedness", "restedness", valueQuantity=quantity(fact.restedness, "{score}"))
    if fact.epworth_total is not None:
        add("epworth", "epworth-total", valueInteger=fact.epworth_total)
    if fact.witnessed_pauses is not None:
        add("pauses", "witnessed-pauses", valueBoolean=fact.witnessed_pauses)
    if fact.nights_reported is not None:
        parts = [
            component(local("nights-reported"), "valueInteger", fact.nights_reported),
            component(local("nights-worn"), "valueInteger", fact.nights_worn),
        ]
        hours = (("hours-per-night", fact.hours_per_night), ("hours-slept-per-night", fact.hours_slept_per_night))
        parts += [
            component(local(code), "valueQuantity", quantity(value, "h")) for code, value in hours if value is not None
        ]
        add("wear", "wear", component=parts, category=[THERAPY_CATEGORY.concept])
    if fact.weight_kg is not None:
        add("weight", "body-weight-reported", valueQuantity=quantity(fact.weight_kg, "kg"))
    return made


def with_derived(draft: Draft) -> list[Draft]:
    """A check-in draft, followed by drafts of the Observations derived from it; other drafts stand alone."""
    if draft.type != "QuestionnaireResponse":
        return [draft]
    reading = Reading(draft.resource, draft.path)
    fact = read_check_in(reading)
    if not isinstance(fact, CheckInFact) or reading.problems:
        return [draft]
    derived = [
        Draft(
            resource={**observation, "derivedFrom": [ref(draft.local)]},
            local=f"{draft.local}-{suffix}",
            path=draft.path,
            parent=(draft.local, suffix),
            revises=True,
        )
        for suffix, observation in derived_observations(draft.resource, fact)
    ]
    return [draft, *derived]
