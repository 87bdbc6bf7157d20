"""The case in XHTML a person can read, made from the same data as the structured parts of the CarePlan.

https://hl7.org/fhir/R4/narrative.html
"""

from __future__ import annotations

from decimal import Decimal
from html import escape

from service.fhir.codes import local
from service.fhir.engine import CAUTION
from service.fhir.judged_words import flag_by_when
from service.fhir.narrative_response import response_parts
from service.fhir.told import Told, sentences_of
from service.fhir.xhtml import criteria, item, paragraph, rows
from service.rules.case_view import CaseView
from service.rules.decision import Decision, Party, Step
from service.rules.projection import Projection
from service.rules.sleep_test import SleepTest
from service.rules.source import Source
from service.rules.stage import StageName
from service.rules.words import day, number, sides, spoken

_BEFORE_DELIVERY = (StageName.REFERRED, StageName.ACCEPTED)
_READY, _RED_FLAGS, _QUESTIONS = "Ready for an efficacy test?", "Open red flags", "Open questions"


def narrative(view: CaseView, case_number: str) -> str:
    """Where the case stands and what is urgent; then, by stage, the decisions with their reasons, and what is asked.

    No sentence stands three times: what was said is not said again, and its reason is told by name.
    """
    told = Told(sentences_of(view))
    parts = [
        *_head(view, case_number, told),
        *_red_flags(view, told),
        *_withdrawn(view, told),
        *_what_happens(view, told),
    ]
    if view.stage.name in _BEFORE_DELIVERY:
        parts += [*_decision("Is the referral complete?", view.referral_check, told), *_coverage(view, told)]
        parts += _readiness(view, told)
    else:
        parts += [*_readiness(view, told), *_next_step(view, told), *response_parts(view.response, told)]
        parts += _follow_up(view, told)
        parts += [*_sentence("The referral", view.referral_check, told), *_coverage(view, told)]
    parts += [*_questions(view, told), f"<p><i>{escape(CAUTION)}</i></p>"]
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{"".join(parts)}</div>'


def letter_parts(view: CaseView) -> dict[str, tuple[str, str]]:
    """The parts of the letter to the physician by name: each a title, and what it says in XHTML without its `div`.

    Each part is a narrative of its own, which says in full what it rests on.
    """
    stage, sentences = view.stage, sentences_of(view)

    def new() -> Told:
        return Told(sentences)

    def decision(held: Decision) -> list[str]:
        return _decision("", held, new())[1:]

    mover = (
        "Nothing is asked of the physician now" if stage.whose_move is not Party.PHYSICIAN else "The physician's move"
    )
    asked = [f"<p><b>{mover}.</b> {escape(stage.why)} As of {day(view.as_of)}.</p>", *_setting(view)]
    parts = {"asked": ("What is asked of the physician", asked)}
    if view.course.flags:
        parts["red-flags"] = (_RED_FLAGS, _red_flags(view, new())[1:])
    if view.stage.name in _BEFORE_DELIVERY:
        parts["referral"] = ("Is the referral complete?", decision(view.referral_check))
    parts["readiness"] = (_READY, decision(view.readiness))
    if view.step:
        parts["step"] = ("Next titration step", decision(view.step))
    if view.facts.sleep_tests:
        parts["tests"] = ("Sleep tests", [_tests(view)])
    if view.response:
        parts["response"] = ("Response to treatment", response_parts(view.response, new())[1:])
    if view.follow_up:
        parts["follow-up"] = ("Follow-up", decision(view.follow_up.decision))
    if view.questions:
        parts["questions"] = (_QUESTIONS, _questions(view, new())[1:])
    parts["caution"] = ("Caution", [f"<p>{escape(CAUTION)}</p>"])
    return {name: (title, "".join(html)) for name, (title, html) in parts.items()}


def _tests(view: CaseView) -> str:
    """The tests in order of time, with the interval of the index where it is known."""
    intervals: dict[Source, tuple[Decimal, Decimal | None] | None] = {}
    if view.response:
        certainty, efficacy, baseline = view.response.certainty, view.response.efficacy, view.response.baseline
        intervals[efficacy.source] = certainty.after_per_hour
        if baseline:
            intervals[baseline.source] = certainty.before_per_hour
    head = "<th>Test</th><th>Day</th><th>Index per hour, with the interval of its count</th><th>Hypopnoea rule</th>"
    lines = [
        f"<tr><td>{test.purpose.value}</td><td>{day(test.day)}</td><td>{_index(test, intervals.get(test.source))}</td>"
        f"<td>{escape(test.hypopnoea_rule.value)}</td></tr>"
        for test in sorted(view.facts.sleep_tests, key=lambda t: (t.day, t.source))
    ]
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody></table>"


def _index(test: SleepTest, interval: tuple[Decimal, Decimal | None] | None) -> str:
    if test.index_per_hour is None:
        return "not told"
    told = f"{test.index_name} {number(test.index_per_hour)}"
    if interval is None:
        return told
    low, high = interval
    return f"{told} ({number(low)} to {number(high)})" if high is not None else f"{told} ({number(low)} or more)"


def _head(view: CaseView, case_number: str, told: Told) -> list[str]:
    stage = view.stage.name.value.replace("-", " ")
    return [
        f"<h2>Case {escape(case_number)}</h2>",
        f"<p><b>{escape(stage[0].upper() + stage[1:])}.</b> Whose move: <b>{escape(view.stage.whose_move)}</b>. "
        f"As of {day(view.as_of)}. {told.once(view.stage.why)}</p>",
        *_setting(view),
    ]


def _setting(view: CaseView) -> list[str]:
    course = view.course
    setting = (
        f"Setting: {sides(*course.setting.pair)} since {day(course.onset)}."
        if course.setting and course.onset
        else "No setting is recorded yet."
    )
    return [f"<p>{escape(setting)}</p>"]


def _red_flags(view: CaseView, told: Told) -> list[str]:
    """The open red flags, the most pressing first: for which office, by which day."""
    found = [
        item(f"{spoken(f.kind.value).capitalize()} ({flag_by_when(f)})", told.once(f.sentence))
        for f in view.course.flags
    ]
    return [f"<h3>{_RED_FLAGS}</h3>", rows(found)] if found else []


def _withdrawn(view: CaseView, told: Told) -> list[str]:
    """The red flags that ended as withdrawn by correction, without an office having closed them."""
    found = [item(spoken(f.kind.value).capitalize(), told.once(f.sentence)) for f in view.withdrawn]
    return ["<h3>Red flags withdrawn by correction</h3>", rows(found)] if found else []


def _questions(view: CaseView, told: Told) -> list[str]:
    """What is asked beside the next move, by party."""
    asked: dict[Party, list[str]] = {}
    for question in view.questions:
        sentence = told.once(question.sentence, alone=2)
        if sentence:
            asked.setdefault(question.party, []).append(sentence)
    found = rows(item(party.value.capitalize(), " ".join(sentences)) for party, sentences in asked.items())
    return [f"<h3>{_QUESTIONS}</h3>", found] if found else []


def _what_happens(view: CaseView, told: Told) -> list[str]:
    """The activities; one that says what the head said is not told again."""
    found = [(a.title, told.once(a.instruction)) for a in view.activities]
    asked = rows(f"<b>{escape(title)}.</b> {text}" for title, text in found if text)
    return ["<h3>What happens now</h3>", asked] if asked else []


def _readiness(view: CaseView, told: Told) -> list[str]:
    return _decision(_READY, view.readiness, told)


def _next_step(view: CaseView, told: Told) -> list[str]:
    parts: list[str] = []
    if view.step and view.step.outcome != Step.REQUEST_TEST:
        parts += _sentence("Next titration step", view.step, told, most=1)
    if view.projection and view.projection.steps:
        parts += ["<h3>Where the steps lead</h3>", *_projection(view.projection)]
    return parts


def _projection(plan: Projection) -> list[str]:
    known = any(step.percent_of_range is not None for step in plan.steps)
    head = "<th>Not before</th><th>Setting</th>" + ("<th>Share of the protrusive range</th>" if known else "")
    lines = "".join(
        f"<tr><td>{day(step.day)}</td><td>{sides(step.left_mm, step.right_mm)}"
        f"{', past the typical goal' if step.passes_goal else ''}</td>"
        + (f"<td>{number(step.percent_of_range)} %</td>" if step.percent_of_range is not None else "<td>not known</td>")
        * known
        + "</tr>"
        for step in plan.steps
    )
    return [
        "<p>If symptoms stay unsettled and the appliance is worn and tolerated. Each step is decided on its own day.</p>",
        f"<table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>",
        f"<p>{escape(plan.stop_reason)}</p>",
    ]


def _follow_up(view: CaseView, told: Told) -> list[str]:
    return _decision("Follow-up", view.follow_up.decision, told) if view.follow_up else []


def _coverage(view: CaseView, told: Told) -> list[str]:
    return _decision("Documentation for a payer in the United States", view.coverage, told) if view.coverage else []


def _decision(title: str, decision: Decision, told: Told) -> list[str]:
    return [*_sentence(title, decision, told), criteria(decision.criteria, told)]


def _sentence(title: str, decision: Decision, told: Told, most: int = 2) -> list[str]:
    """The heading, the outcome by name and its sentence, unless that was said."""
    outcome = f"<b>{escape(local(decision.outcome).display)}.</b>"
    return [f"<h3>{escape(title)}</h3>", paragraph(outcome, told.once(decision.sentence, most))]
