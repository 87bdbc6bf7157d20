"""The case in XHTML a person can read, made from the same data as the structured parts of the CarePlan.

https://hl7.org/fhir/R4/narrative.html
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from html import escape

from service.fhir.engine import CAUTION
from service.rules.case_view import CaseView
from service.rules.decision import Criterion, Decision, Party, Step
from service.rules.projection import Projection
from service.rules.response import Response
from service.rules.sleep_test import SleepTest
from service.rules.stage import StageName
from service.rules.words import day, number, sides

_BEFORE_DELIVERY = (StageName.REFERRED, StageName.ACCEPTED)


def narrative(view: CaseView, case_number: str) -> str:
    """Where the case stands first; then, by stage, the referral, readiness, the next step, response and follow-up."""
    parts = [*_head(view, case_number), *_what_happens(view)]
    if view.stage.name in _BEFORE_DELIVERY:
        parts += [*_decision("Is the referral complete?", view.referral_check), *_coverage(view), *_readiness(view)]
    else:
        parts += [*_readiness(view), *_next_step(view), *_response(view.response), *_follow_up(view)]
        parts += [*_sentence("The referral", view.referral_check.sentence), *_coverage(view)]
    parts.append(f"<p><i>{escape(CAUTION)}</i></p>")
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{"".join(parts)}</div>'


def letter_parts(view: CaseView) -> dict[str, tuple[str, str]]:
    """The parts of the letter to the physician by name: each a title, and what it says in XHTML without its `div`."""
    stage = view.stage
    mover = (
        "Nothing is asked of the physician now" if stage.whose_move is not Party.PHYSICIAN else "The physician's move"
    )
    asked = [f"<p><b>{mover}.</b> {escape(stage.why)} As of {day(view.as_of)}.</p>", *_setting(view)]
    parts = {"asked": ("What is asked of the physician", asked)}
    if view.stage.name in _BEFORE_DELIVERY:
        parts["referral"] = ("Is the referral complete?", _decision("", view.referral_check)[1:])
    parts["readiness"] = ("Ready for an efficacy test?", _decision("", view.readiness)[1:])
    if view.step:
        parts["step"] = ("Next titration step", _decision("", view.step)[1:])
    if view.facts.sleep_tests:
        parts["tests"] = ("Sleep tests", [_tests(view)])
    if view.response:
        parts["response"] = ("Response to treatment", _response(view.response)[1:])
    if view.follow_up:
        parts["follow-up"] = ("Follow-up", _decision("", view.follow_up.decision)[1:])
    parts["caution"] = ("Caution", [f"<p>{escape(CAUTION)}</p>"])
    return {name: (title, "".join(html)) for name, (title, html) in parts.items()}


def _tests(view: CaseView) -> str:
    """The tests in order of time, with the interval of the index where it is known."""
    intervals = {}
    if view.response:
        certainty, efficacy, baseline = view.response.certainty, view.response.efficacy, view.response.baseline
        intervals[efficacy.source] = certainty.after_per_hour
        if baseline:
            intervals[baseline.source] = certainty.before_per_hour
    head = "<th>Test</th><th>Day</th><th>Index per hour, with the interval of its count</th><th>Hypopnoea rule</th>"
    rows = [
        f"<tr><td>{test.purpose.value}</td><td>{day(test.day)}</td><td>{_index(test, intervals.get(test.source))}</td>"
        f"<td>{escape(test.hypopnoea_rule.value)}</td></tr>"
        for test in sorted(view.facts.sleep_tests, key=lambda t: (t.day, t.source))
    ]
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _index(test: SleepTest, interval: tuple[Decimal, Decimal | None] | None) -> str:
    if test.index_per_hour is None:
        return "not told"
    told = f"{test.index_name} {number(test.index_per_hour)}"
    if interval is None:
        return told
    low, high = interval
    return f"{told} ({number(low)} to {number(high)})" if high is not None else f"{told} ({number(low)} or more)"


def _head(view: CaseView, case_number: str) -> list[str]:
    stage = view.stage.name.value.replace("-", " ")
    return [
        f"<h2>Case {escape(case_number)}</h2>",
        f"<p><b>{escape(stage[0].upper() + stage[1:])}.</b> Whose move: <b>{escape(view.stage.whose_move)}</b>. "
        f"As of {day(view.as_of)}. {escape(view.stage.why)}</p>",
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


def _what_happens(view: CaseView) -> list[str]:
    told = [f"<b>{escape(a.title)}.</b> {escape(a.instruction)}" for a in view.activities]
    return ["<h3>What happens now</h3>", _list(told)] if told else []


def _readiness(view: CaseView) -> list[str]:
    return _decision("Ready for an efficacy test?", view.readiness)


def _next_step(view: CaseView) -> list[str]:
    parts: list[str] = []
    if view.step and view.step.outcome != Step.REQUEST_TEST:
        parts += _sentence("Next titration step", view.step.sentence)
    if view.projection and view.projection.steps:
        parts += ["<h3>Where the steps lead</h3>", *_projection(view.projection)]
    return parts


def _projection(plan: Projection) -> list[str]:
    known = any(step.percent_of_range is not None for step in plan.steps)
    head = "<th>Not before</th><th>Setting</th>" + ("<th>Share of the protrusive range</th>" if known else "")
    rows = "".join(
        f"<tr><td>{day(step.day)}</td><td>{sides(step.left_mm, step.right_mm)}"
        f"{', past the typical goal' if step.passes_goal else ''}</td>"
        + (f"<td>{number(step.percent_of_range)} %</td>" if step.percent_of_range is not None else "<td>not known</td>")
        * known
        + "</tr>"
        for step in plan.steps
    )
    return [
        "<p>If symptoms stay unsettled and the appliance is worn and tolerated. Each step is decided on its own day.</p>",
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>",
        f"<p>{escape(plan.stop_reason)}</p>",
    ]


def _response(response: Response | None) -> list[str]:
    if response is None:
        return []
    before, after = response.severity_before or "not known", response.severity_after or "not known"
    severity = f"Severity at baseline: {before}; with the appliance: {after}."
    more = (*response.remarks, *response.certainty.sentences, *(m.sentence for m in response.measures))
    again = (response.relapse.sentence,) if response.relapse else ()
    parts = [
        "<h3>Response to treatment</h3>",
        f"<p>{escape(response.sentence)} {escape(severity)}</p>",
        _criteria(response.criteria),
        *(f"<p>{escape(text)}</p>" for text in (response.disagreement, *again, response.own_reading) if text),
        _list(escape(text) for text in (*more, response.wear, *response.cautions)),
    ]
    if response.suggestions:
        told = [escape(s.sentence) for s in response.suggestions]
        parts += ["<p>For the physician to consider:</p>", _list(told)]
    return parts


def _follow_up(view: CaseView) -> list[str]:
    return _decision("Follow-up", view.follow_up.decision) if view.follow_up else []


def _coverage(view: CaseView) -> list[str]:
    return _decision("Documentation for a payer in the United States", view.coverage) if view.coverage else []


def _decision(title: str, decision: Decision) -> list[str]:
    return [*_sentence(title, decision.sentence), _criteria(decision.criteria)]


def _sentence(title: str, text: str) -> list[str]:
    return [f"<h3>{escape(title)}</h3>", f"<p>{escape(text)}</p>"]


def _criteria(criteria: Sequence[Criterion]) -> str:
    return _list(f"<b>{escape(c.title)}: {c.standing}.</b> {escape(c.sentence)}" for c in criteria)


def _list(items: Iterable[str]) -> str:
    rows = "".join(f"<li>{item}</li>" for item in items)
    return f"<ul>{rows}</ul>" if rows else ""
