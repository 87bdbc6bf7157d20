"""Everything the rules say of a case on one day, worked out once, so that API, page, CarePlan and file say the same."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from service.rules.course import Course, course_on
from service.rules.coverage_us import us_coverage_documentation
from service.rules.decision import Decision
from service.rules.facts import CaseFacts
from service.rules.follow_up import FollowUp, follow_up
from service.rules.not_counted import NotCounted
from service.rules.plan import Activity, activities_of
from service.rules.projection import Projection, project
from service.rules.questions import Question, questions_of
from service.rules.readiness import assess_readiness
from service.rules.red_flags import EndedFlag, OpenFlag, withdrawn_flags
from service.rules.referral import check_referral
from service.rules.response import Response, assess_response
from service.rules.site import Site
from service.rules.source import Source
from service.rules.stage import Stage, stage_of
from service.rules.titration import next_step


@dataclass(frozen=True, slots=True)
class CaseView:
    """What holds on `readiness.as_of`. None where a rule has nothing to say yet, or does not apply at this site."""

    facts: CaseFacts
    course: Course
    stage: Stage
    referral_check: Decision
    coverage: Decision | None
    readiness: Decision
    step: Decision | None
    projection: Projection | None
    response: Response | None
    follow_up: FollowUp | None
    activities: tuple[Activity, ...]
    questions: tuple[Question, ...]

    @property
    def as_of(self) -> date:
        """The day of the decision."""
        return self.readiness.as_of

    @property
    def withdrawn(self) -> tuple[EndedFlag, ...]:
        """The red flags that were withdrawn by correction."""
        return withdrawn_flags(self.course.known)

    @property
    def inputs(self) -> tuple[Source, ...]:
        """Every resource version any of the decisions read, each once, in a fixed order."""
        followed = self.follow_up.decision if self.follow_up else None
        decisions = (self.referral_check, self.coverage, self.readiness, self.step, self.response, followed)
        return tuple(sorted({source for d in decisions if d for source in d.inputs}))

    def as_data(self) -> dict[str, Any]:
        """The view as JSON-ready data."""
        return {
            "as_of": self.as_of.isoformat(),
            **self.stage.as_data(),
            "readiness": self.readiness.as_data(),
            "next_step": self.step.as_data() if self.step else None,
            "response": self.response.as_data() if self.response else None,
            "referral_check": self.referral_check.as_data(),
            "us_coverage_documentation": self.coverage.as_data() if self.coverage else None,
            "projected_plan": self.projection.as_data() if self.projection else None,
            "follow_up": self.follow_up.as_data() if self.follow_up else None,
            "activities": [
                {"title": a.title, "instruction": a.instruction, "when": a.when or None, "call": list(a.call)}
                for a in self.activities
            ],
            "questions": [q.as_data() for q in self.questions],
            "not_counted": [
                _not_counted_data(item) for item in sorted(self.course.known.not_counted, key=lambda i: i.source)
            ],
            "red_flags": [_flag_data(f) for f in self.course.flags],
            "withdrawn_red_flags": [_ended_data(f) for f in self.withdrawn],
        }


def _not_counted_data(item: NotCounted) -> dict[str, Any]:
    """What is kept and not counted as JSON-ready data."""
    return {
        "what": item.what,
        "status": item.status,
        "day": item.day.isoformat() if item.day else None,
        "input": {"reference": item.source.reference, "version": item.source.version},
    }


def _flag_data(flag: OpenFlag) -> dict[str, Any]:
    """An open red flag as JSON-ready data: kind, since when, whose, by when, why, whether a rule raised it."""
    return {
        "kind": flag.kind.value,
        "since": flag.since.day.isoformat(),
        "office": flag.office.value,
        "due": flag.due.isoformat(),
        "derived": flag.derived,
        "sentence": flag.sentence,
        "inputs": [{"reference": s.reference, "version": s.version} for s in flag.sources],
    }


def _ended_data(flag: EndedFlag) -> dict[str, Any]:
    """A red flag withdrawn by correction as JSON-ready data: kind, when it was reported, how it ended."""
    return {
        "kind": flag.kind.value,
        "reported_on": flag.reported.day.isoformat(),
        "ended": "withdrawn-by-correction",
        "sentence": flag.sentence,
        "inputs": [{"reference": flag.source.reference, "version": flag.source.version}],
    }


def view_case(facts: CaseFacts, site: Site, as_of: date) -> CaseView:
    """Everything the rules say of `facts` on `as_of` at a site."""
    thresholds = site.thresholds
    course = course_on(facts, as_of, thresholds)
    readiness = assess_readiness(facts, thresholds, as_of, course)
    step = next_step(facts, thresholds, readiness, course)
    response = assess_response(facts, thresholds, as_of, course)
    followed = follow_up(facts, thresholds, as_of, course)
    stage = stage_of(facts, readiness, step, response, followed, thresholds, course)
    return CaseView(
        facts=facts,
        course=course,
        stage=stage,
        referral_check=check_referral(facts, thresholds, as_of, course),
        coverage=us_coverage_documentation(facts, thresholds, as_of, site.region, course),
        readiness=readiness,
        step=step,
        projection=project(course, facts, thresholds, readiness, step),
        response=response,
        follow_up=followed,
        activities=activities_of(facts, stage, step, thresholds, course),
        questions=questions_of(course, thresholds),
    )
