"""The response to treatment as an Observation: its class or why that is withheld, what was found, what was measured."""

from __future__ import annotations

from collections.abc import Iterator

from service.fhir.build import Resource, component, quantity
from service.fhir.codes import local
from service.fhir.decision_observation import About, criterion_component, head, notes_of
from service.fhir.engine import CAUTION
from service.fhir.judged_words import by_when, cause_sentence
from service.rules.judging.finding import Finding
from service.rules.judging.judgement import Judgement
from service.rules.response import RULE, VERSION, Response


def response_observation(response: Response, observation_id: str, about: About) -> Resource:
    """The response as an Observation; the class is its value, or that it is withheld."""
    notes = notes_of(
        response.sentence,
        response.own_reading,
        response.disagreement,
        *response.remarks,
        *response.certainty.sentences,
        *(m.sentence for m in response.measures),
        response.wear,
        *(s.sentence for s in response.suggestions),
        response.relapse.sentence if response.relapse else None,
        *response.cautions,
        CAUTION,
    )
    outcome = response.response_class.value
    parts = [*_judged(response.judgement), *_measured(response), *(criterion_component(c) for c in response.criteria)]
    return {
        "resourceType": "Observation",
        "id": observation_id,
        **head(RULE, VERSION, response.as_of, outcome, response.inputs, about),
        "note": notes,
        "component": parts,
    }


def _judged(judged: Judgement) -> Iterator[Resource]:
    """Whether the class is one at least, how the tests compare, why it is withheld, what was found and who acts."""
    yield component(local("at-least"), "valueBoolean", judged.at_least)
    if judged.comparison:
        compares = local(judged.comparison.comparability.value)
        yield component(local("comparability"), "valueCodeableConcept", compares.concept)
    for cause in judged.causes:
        code = local(cause.value)
        why = {"interpretation": [{**local("withheld").concept, "text": cause_sentence(judged, cause)}]}
        yield component(local("withheld-for"), "valueCodeableConcept", code.concept) | why
    for finding in judged.findings:
        yield _finding(finding)
    soonest = [f.days for f in judged.findings if f.days is not None]
    if soonest:
        yield component(local("act-within"), "valueQuantity", quantity(min(soonest), "d"))


def _finding(finding: Finding) -> Resource:
    """One finding by name; how much it weighs with its sentence, and who acts by when."""
    party = local(finding.party.value.replace(" ", "-"))
    return {
        **component(local("finding"), "valueCodeableConcept", local(finding.name).concept),
        "interpretation": [
            {**local(finding.weight.value).concept, "text": finding.sentence},
            {**party.concept, "text": by_when(finding.party, finding.days)},
        ],
    }


def _measured(response: Response) -> Iterator[Resource]:
    """What the response measured beside its criteria; left out where it is not known."""
    sure, worn = response.certainty, response.alleviation
    if response.fall_percent is not None:
        yield component(local("fall-in-index"), "valueQuantity", quantity(response.fall_percent, "%"))
    for code, interval, unit in (
        ("fall-interval", sure.fall_percent, "%"),
        ("baseline-index-interval", sure.before_per_hour, "{events}/h"),
        ("efficacy-index-interval", sure.after_per_hour, "{events}/h"),
    ):
        if interval:
            ends = zip(("low", "high"), interval, strict=True)
            held = {end: quantity(value, unit) for end, value in ends if value is not None}
            yield component(local(code), "valueRange", held)
    for code, severity in (("severity-before", response.severity_before), ("severity-after", response.severity_after)):
        if severity:
            name = "no-apnoea" if severity == "none" else f"{severity}-apnoea"
            yield component(local(code), "valueCodeableConcept", local(name).concept)
    if worn:
        for code, value, unit in (
            ("mean-disease-alleviation", worn.percent, "%"),
            ("effective-index", worn.effective_per_hour, "{events}/h"),
        ):
            yield component(local(code), "valueQuantity", quantity(value, unit))
