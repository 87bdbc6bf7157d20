"""Answers against the published questionnaire they answer (https://hl7.org/fhir/R4/questionnaireresponse.html)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.fhir.conformance.issue import Findings, Where, shown
from service.fhir.json_parts import is_list, is_object

_TYPES = {
    "decimal": "valueDecimal",
    "integer": "valueInteger",
    "boolean": "valueBoolean",
    "string": "valueString",
    "date": "valueDate",
}
_ITEM = frozenset(("linkId", "text", "type", "repeats"))


@dataclass(frozen=True, slots=True)
class Question:
    """One question: its place in the order, its words, the JSON name of its answers, whether it may have several."""

    place: int
    text: str
    answer: str
    several: bool = False


@dataclass(frozen=True, slots=True)
class AskedAnswers:
    """A published questionnaire: a flat list of questions, each answered once, several times where it repeats, or not at all."""

    url: str
    questions: dict[str, Question]


def asked_by(definition: dict[str, Any]) -> AskedAnswers:
    """A Questionnaire, read. Raises ValueError, naming the item, when something in it is not known."""
    found: dict[str, Question] = {}
    for index, item in enumerate(definition.get("item", [])):
        name = f"item[{index}]"
        unknown = sorted(item.keys() - _ITEM)
        if unknown:
            raise ValueError(f"{name}: «{unknown[0]}» is not known")
        if item.get("type") not in _TYPES or not isinstance(item.get("linkId"), str):
            raise ValueError(f"{name}: a question of type {item.get('type')} is not known")
        found[item["linkId"]] = Question(index, item.get("text", ""), _TYPES[item["type"]], item.get("repeats") is True)
    return AskedAnswers(str(definition.get("url")), found)


def check_answers(asked: AskedAnswers, response: dict[str, Any], where: Where, findings: Findings) -> None:
    """Everything in which a QuestionnaireResponse does not answer the questions asked."""
    findings.profile = asked.url
    items = response.get("item")
    last = -1
    for index, item in enumerate(items if is_list(items) else []):
        if not is_object(item):
            continue
        spot = where.at("item", index)
        question = asked.questions.get(str(item.get("linkId")))
        if question is None:
            findings.wrong(spot.at("linkId"), f"The questionnaire has no question «{shown(item.get('linkId'))}».")
            continue
        if question.place < last:
            findings.wrong(spot, "The answers must stand in the order of the questions.")
        last = max(last, question.place)
        if "text" in item and item["text"] != question.text:
            findings.wrong(spot.at("text"), f"The words of the question are «{shown(question.text)}».")
        _answers(item, question, spot, findings)
    findings.profile = ""


def _answers(item: dict[str, Any], question: Question, where: Where, findings: Findings) -> None:
    held = item.get("answer")
    answers = [a for a in held if is_object(a)] if is_list(held) else []
    if len(answers) > 1 and not question.several:
        findings.wrong(where.at("answer", 1), "The question has only one answer.")
    if "item" in item:
        findings.wrong(where.at("item"), "No question stands below this one.")
    for index, answer in enumerate(answers):
        spot = where.at("answer", index)
        if "item" in answer:
            findings.wrong(spot.at("item"), "No question stands below this one.")
        if any(key.startswith("value") and key != question.answer for key in answer):
            findings.wrong(spot.at("value"), f"The answer must be given as «{question.answer}».")
