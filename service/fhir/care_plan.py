"""The CarePlan: where a case stands, whose move it is and why, what the patient does this week.

https://hl7.org/fhir/R4/careplan.html. One case is one CarePlan; the case number is its id. Goals are
contained: their state follows from the case and has no life of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from service.fhir.build import Resource
from service.fhir.decision_resources import CAUTION, ENGINE_ID
from service.rules.course import course_on
from service.rules.decision import Criterion, Decision, Status, Step
from service.rules.facts import CaseFacts
from service.rules.plan import Activity, activities_of
from service.rules.response import Response
from service.rules.stage import Stage, StageName
from service.rules.thresholds import Thresholds
from service.rules.words import day, sides

_CATEGORY = {
    "coding": [
        {"system": "http://hl7.org/fhir/us/core/CodeSystem/careplan-category", "code": "assess-plan"},
    ]
}
_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
_ENDED = {StageName.CLOSED: "completed", StageName.ON_HOLD: "on-hold"}


@dataclass(frozen=True, slots=True)
class CaseView:
    """Everything the CarePlan shows, worked out for one day."""

    case_number: str
    facts: CaseFacts
    readiness: Decision
    step: Decision | None
    response: Response | None
    stage: Stage


def care_plan(
    view: CaseView,
    thresholds: Thresholds,
    *,
    subject: Resource,
    referral: Resource,
    conditions: Sequence[Resource],
    supporting: Sequence[Resource],
) -> Resource:
    """The CarePlan resource of a case on the day of its decision."""
    referred = view.facts.referral.day.isoformat() if view.facts.referral else view.readiness.as_of.isoformat()
    goals = _goals(view, subject)
    built: Resource = {
        "resourceType": "CarePlan",
        "id": view.case_number,
        "text": {"status": "generated", "div": narrative(view, thresholds)},
        "contained": goals,
        "status": _ENDED.get(view.stage.name, "active"),
        "intent": "plan",
        "category": [_CATEGORY],
        "title": "Oral appliance therapy for obstructive sleep apnoea",
        "description": f"{view.stage.why} As of {day(view.readiness.as_of)}. Whose move: {view.stage.whose_move}.",
        "subject": subject,
        "period": {"start": referred},
        "created": referred,
        "author": {"reference": f"Device/{ENGINE_ID}"},
        "addresses": list(conditions),
        "supportingInfo": [referral, *supporting],
        "goal": [{"reference": f"#{goal['id']}"} for goal in goals],
        "activity": [{"detail": _detail(a)} for a in activities_of(view.facts, view.stage, view.step, thresholds)],
        "note": [{"text": view.readiness.sentence}, {"text": CAUTION}],
    }
    return {key: value for key, value in built.items() if value != []}


def _detail(activity: Activity) -> Resource:
    built: Resource = {
        "code": {"text": activity.title},
        "status": activity.status,
        "description": activity.instruction,
    }
    if activity.when:
        built["scheduledString"] = activity.when
    return built


def _goals(view: CaseView, subject: Resource) -> list[Resource]:
    """Three goals with their achievement: symptoms settled, worn enough, efficacy shown by a test."""
    criteria = {c.name: c for c in view.readiness.criteria}
    reached = {"complete": "achieved", "partial": "improving", "non-response": "not-achieved"}
    shown = reached.get(view.response.response_class.value, "in-progress") if view.response else "in-progress"
    rows = (
        (
            "goal-symptoms",
            "Snoring and sleepiness settled",
            _together(criteria, "snoring-settled", "sleepiness-settled"),
        ),
        ("goal-wear", "Appliance worn enough", _together(criteria, "worn-enough")),
        (
            "goal-efficacy",
            "Efficacy shown by a sleep test with the appliance worn",
            shown,
        ),
    )
    return [
        {
            "resourceType": "Goal",
            "id": goal_id,
            "lifecycleStatus": "active",
            "achievementStatus": {"coding": [{"system": _ACHIEVEMENT, "code": achievement}]},
            "description": {"text": text},
            "subject": subject,
        }
        for goal_id, text, achievement in rows
    ]


def _together(criteria: dict[str, Criterion], *names: str) -> str:
    states = {criteria[name].status for name in names}
    if states == {Status.MET}:
        return "achieved"
    return "not-achieved" if Status.UNMET in states else "in-progress"


def narrative(view: CaseView, thresholds: Thresholds) -> str:
    """The case in XHTML a person can read, made from the same data as the structured part."""
    course = course_on(view.facts, view.readiness.as_of)
    setting = (
        f"Setting: {sides(*course.setting.pair)} since {day(course.onset)}."
        if course.setting and course.onset
        else "No setting is recorded yet."
    )
    parts = [
        f"<h2>Case {escape(view.case_number)}</h2>",
        f"<p><b>{escape(_capital(view.stage.name.value.replace('-', ' ')))}.</b> Whose move: "
        f"<b>{escape(view.stage.whose_move)}</b>. As of {day(view.readiness.as_of)}. {escape(view.stage.why)}</p>",
        f"<p>{escape(setting)}</p>",
        "<h3>Ready for an efficacy test?</h3>",
        f"<p>{escape(view.readiness.sentence)}</p>",
        _criteria_list(view.readiness.criteria),
    ]
    if view.step and view.step.outcome != Step.REQUEST_TEST:
        parts += ["<h3>Next titration step</h3>", f"<p>{escape(view.step.sentence)}</p>"]
    if view.response:
        extra = (view.response.disagreement, *view.response.comparability)
        parts += [
            "<h3>Response to treatment</h3>",
            f"<p>{escape(view.response.sentence)}</p>",
            _criteria_list(view.response.criteria),
            *(f"<p>{escape(text)}</p>" for text in extra if text),
        ]
    activities = activities_of(view.facts, view.stage, view.step, thresholds)
    listed = "".join(f"<li><b>{escape(a.title)}.</b> {escape(a.instruction)}</li>" for a in activities)
    if listed:
        parts += ["<h3>What happens now</h3>", f"<ul>{listed}</ul>"]
    parts.append(f"<p><i>{escape(CAUTION)}</i></p>")
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{"".join(parts)}</div>'


_STATUS_WORDS = {
    Status.MET: "Met",
    Status.UNMET: "Not met",
    Status.UNKNOWN: "Not known",
    Status.ATTENTION: "Needs attention",
}


def _criteria_list(criteria: Sequence[Criterion]) -> str:
    rows = "".join(
        f"<li><b>{escape(c.title)}: {_STATUS_WORDS[c.status].lower()}.</b> {escape(c.sentence)}</li>" for c in criteria
    )
    return f"<ul>{rows}</ul>"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
