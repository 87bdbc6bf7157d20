"""The page of a case: where it stands and whose move it is first, then this week, the reasons, the course, the history."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.fhir.dates import day_of
from service.pipeline.page_reads import CaseRead, case_read, name_of
from service.rules.stage import StageName
from service.rules.thresholds import Thresholds
from service.rules.words import day
from service.web.audit import note_case
from service.web.exchange import seen_by_sender
from service.web.pages.catalogue import FORMS, Form
from service.web.pages.chart import NARROW, WIDE, course_chart, has_course
from service.web.pages.course_table import rows_of
from service.web.pages.history import Entry, history_of
from service.web.pages.offered import makes_links, offered
from service.web.pages.reasons import decision_shown, response_shown
from service.web.pages.render import page
from service.web.pages.routes import PageRoute

router = APIRouter(tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_RECENT, _ALL = 120, 10_000
_TRACK = (
    StageName.REFERRED,
    StageName.ACCEPTED,
    StageName.TITRATING,
    StageName.READY_FOR_TEST,
    StageName.TEST_ORDERED,
    StageName.TESTED,
    StageName.FOLLOW_UP,
)
_NEXT_FORMS = {
    StageName.REFERRED: ("referral-state",),
    StageName.ACCEPTED: ("assessment", "appliance"),
    StageName.TITRATING: ("check-in", "setting"),
    StageName.UNDER_REVIEW: ("visit",),
    StageName.READY_FOR_TEST: ("test-order",),
    StageName.TEST_ORDERED: ("check-in",),
    StageName.TESTED: ("physician-decision",),
    StageName.FOLLOW_UP: ("visit", "check-in"),
    StageName.ON_HOLD: ("referral-state",),
    StageName.CLOSED: (),
}
"""The forms that stand first at each stage; the others stand below them."""
_BEFORE = ("referral", "readiness", "course", "response", "follow_up")
_TITRATING = ("readiness", "course", "response", "follow_up", "referral")
_AFTER = ("response", "follow_up", "course", "readiness", "referral")
"""Which part of the page comes first: what the stage is about."""
_SECTIONS = {
    StageName.REFERRED: _BEFORE,
    StageName.ACCEPTED: _BEFORE,
    StageName.TESTED: _AFTER,
    StageName.FOLLOW_UP: _AFTER,
}
_DONE = {
    "stored": "Stored",
    "corrected": "The correction is stored",
    "withdrawn": "Withdrawn; it stays in the history, marked as entered in error",
    "known": "This was on record already; nothing was stored twice",
    "kept": "Not applied: a later revision of this entry is on record",
    "noted": "Stored; the referral was further along already and stays there",
}


@router.get("/cases/{case_number}/page")
async def case_page(request: Request, case_number: str) -> Response:
    """One case, as of today."""
    pipeline, query = seen_by_sender(request, "r", "*"), request.query_params
    whole = query.get("history") == "all"
    held = await run_in_threadpool(case_read, pipeline, case_number, _ALL if whole else _RECENT)
    note_case(request, case_number)
    forms, today = offered(request), pipeline.today().isoformat()
    shown = await run_in_threadpool(_shown, held, pipeline.site.thresholds, today, forms)
    done = _done(query.get("done", ""), query.get("form", ""), query.get("entry", ""), shown["history"])
    links = makes_links(request)
    return page(request, "case.html", done=done, whole=whole, more=held.more, makes_links=links, **shown)


def _shown(held: CaseRead, thresholds: Thresholds, today: str, forms: Mapping[str, Form]) -> dict[str, Any]:
    data, course = held.data, held.course
    stage = StageName(data["stage"])
    people = {role: name_of(held.people.get(data["resources"].get(role, ""), {})) for role in _PEOPLE}
    week = next((a for a in data["activities"] if a["title"] == "This week"), None)
    late = data["overdue_from"] if data["overdue_from"] and data["overdue_from"] <= today else ""
    follow_up = data["follow_up"]
    history = history_of(held.entries, course.known)
    raised = {flag.source.reference for flag in course.open_red_flags}
    return {
        "case": data,
        "people": people,
        "born": _born(str(held.people.get(data["resources"]["patient"], {}).get("birthDate", ""))),
        "late": late,
        "track": [{"name": s.value, "here": s is stage} for s in _TRACK],
        "off_track": stage not in _TRACK,
        "sections": _SECTIONS.get(stage, _TITRATING),
        "week": week,
        "advice": [a for a in data["activities"] if a is not week and not a["title"].startswith("Next: ")],
        "first_forms": [forms[key] for key in _NEXT_FORMS[stage] if key in forms],
        "other_forms": [f for f in forms.values() if f.key not in _NEXT_FORMS[stage]],
        "own_kinds": {f.kind for f in forms.values() if f.kind},
        "readiness": decision_shown(data["readiness"]),
        "step": decision_shown(data["next_step"]) if data["next_step"] else None,
        "referral_check": decision_shown(data["referral_check"]),
        "coverage": decision_shown(data["us_coverage_documentation"]) if data["us_coverage_documentation"] else None,
        "follow_up": decision_shown(follow_up) if follow_up else None,
        "visits": follow_up["visits"] if follow_up else [],
        "response": response_shown(data["response"], course) if data["response"] else None,
        "charts": _charts(held, thresholds) if has_course(course) else (),
        "rows": rows_of(course),
        "history": history,
        "open_flags": [e for e in history if e.entry_id and raised & {name for name, _ in e.counts.sources}],
    }


_PEOPLE = ("patient", "physician", "dental_office")


def _born(text: str) -> str:
    """A birth date in words; one that is told less exactly as it stands."""
    try:
        return day(day_of(text))
    except ValueError:
        return text


def _charts(held: CaseRead, thresholds: Thresholds) -> tuple[str, str]:
    """The chart for a wide window and for a narrow one; the style sheet shows one of them."""
    return (
        course_chart(held.course, thresholds, WIDE, "wide"),
        course_chart(held.course, thresholds, NARROW, "narrow"),
    )


def _done(what: str, key: str, entry_id: str, history: list[Entry]) -> str:
    """What was just done, in our own words: nothing of the address is shown."""
    if what not in _DONE or key not in FORMS:
        return ""
    form = FORMS[key]
    entry = next((e for e in history if e.kind == form.kind and e.entry_id == entry_id and entry_id), None)
    told = f" {entry.title}, {entry.day}: {entry.counts.words}." if entry else ""
    return f"{_DONE[what]}: {form.title.lower()}.{told}"
