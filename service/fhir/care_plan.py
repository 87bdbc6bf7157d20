"""The CarePlan: where a case stands, whose move it is and why, what the patient does this week.

https://hl7.org/fhir/R4/careplan.html. One case is one CarePlan; the case number is its id. Goals are
contained: their state follows from the case and has no life of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.fhir.build import Resource
from service.fhir.engine import CAUTION, ENGINE_ID
from service.fhir.narrative import narrative
from service.rules.case_view import CaseView
from service.rules.decision import Criterion, Status
from service.rules.plan import Activity
from service.rules.stage import StageName
from service.rules.words import day

_CATEGORY = {
    "coding": [
        {"system": "http://hl7.org/fhir/us/core/CodeSystem/careplan-category", "code": "assess-plan"},
    ]
}
_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
_ENDED = {StageName.CLOSED: "completed", StageName.ON_HOLD: "on-hold"}


def care_plan(
    view: CaseView,
    case_number: str,
    *,
    subject: Resource,
    referral: Resource,
    conditions: Sequence[Resource],
    supporting: Sequence[Resource],
    replaces: Sequence[Resource] = (),
) -> Resource:
    """The CarePlan resource of a case on the day of its decision; `replaces` names that of an earlier referral."""
    referred = view.facts.referral.day.isoformat() if view.facts.referral else view.as_of.isoformat()
    goals = _goals(view, subject)
    built: Resource = {
        "resourceType": "CarePlan",
        "id": case_number,
        "text": {"status": "generated", "div": narrative(view, case_number)},
        "contained": goals,
        "replaces": list(replaces),
        "status": _ENDED.get(view.stage.name, "active"),
        "intent": "plan",
        "category": [_CATEGORY],
        "title": "Oral appliance therapy for obstructive sleep apnoea",
        "description": f"{view.stage.why} As of {day(view.as_of)}. Whose move: {view.stage.whose_move}.",
        "subject": subject,
        "period": {"start": referred},
        "created": referred,
        "author": {"reference": f"Device/{ENGINE_ID}"},
        "addresses": list(conditions),
        "supportingInfo": [referral, *supporting],
        "goal": [{"reference": f"#{goal['id']}"} for goal in goals],
        "activity": [{"detail": _detail(a)} for a in view.activities],
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
