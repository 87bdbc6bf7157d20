"""The page of a case: where it stands and whose move it is first, then this week, the reasons, the course, the history."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.grant import Office
from service.fhir.dates import day_of
from service.pipeline.page_reads import LAST, CaseRead, Entries, case_read, name_of
from service.rules.stage import StageName
from service.rules.thresholds import Thresholds
from service.rules.words import day
from service.web.audit import note_case
from service.web.emergency_api import emergencies_of
from service.web.exchange import grant_of, seen_by_sender
from service.web.pages.catalogue import FORMS
from service.web.pages.chart import course_chart, has_before, has_course
from service.web.pages.course_table import rows_of
from service.web.pages.flags import flags_shown, withdrawn_shown
from service.web.pages.form_fields import Form
from service.web.pages.history import HistoryEntry, history_of
from service.web.pages.offered import makes_links, offered
from service.web.pages.patient_lines import lines_of
from service.web.pages.reasons import decision_shown, outcome_shown
from service.web.pages.render import page
from service.web.pages.response_part import questions_shown, response_shown
from service.web.pages.routes import PageRoute

router = APIRouter(tags=["Pages"], include_in_schema=False, route_class=PageRoute)
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
    StageName.TEST_ORDERED: ("efficacy-test", "check-in"),
    StageName.TESTED: ("physician-decision", "efficacy-test"),
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
    wanted = Entries.ALL if whole or query.get("done") else Entries.LAST

    def made() -> Response:
        held = case_read(pipeline, case_number, wanted)
        offices = grant_of(request).offices
        shown = _shown(held, pipeline.site.thresholds, pipeline.today().isoformat(), offered(request), offices)
        history = history_of(held.entries, held.course.known)
        entered = _entered(query.get("form", ""), query.get("entry", ""), history)
        shown |= {
            "done": _done(query.get("done", ""), query.get("form", ""), entered),
            "history": history if whole else _last(history, entered),
            "whole": whole,
        }
        accesses = emergencies_of(request).told_of(held.data["resources"]["patient"], case_number)
        return page(request, "case.html", makes_links=makes_links(request), accesses=accesses, **shown)

    answer = await run_in_threadpool(made)
    note_case(request, case_number)
    return answer


@router.get("/cases/{case_number}/reasons")
async def reasons_page(request: Request, case_number: str) -> Response:
    """Every decision on a case, as of today, with each reason and all that it rests on, and the values of the course."""
    pipeline = seen_by_sender(request, "r", "*")

    def made() -> Response:
        held = case_read(pipeline, case_number, Entries.NONE)
        data = held.data
        decisions = [{"place": p, "title": t, **decision_shown(data[name])} for name, p, t in _DECISIONS if data[name]]
        shown = {"case_number": data["case_number"], "as_of": data["as_of"], "decisions": decisions}
        return page(request, "reasons.html", rows=rows_of(held.course), **shown)

    answer = await run_in_threadpool(made)
    note_case(request, case_number)
    return answer


_DECISIONS = (
    ("readiness", "readiness", "Ready for an efficacy test?"),
    ("next_step", "step", "Next titration step"),
    ("follow_up", "follow-up", "Follow-up"),
    ("referral_check", "referral", "Is the referral complete?"),
    ("us_coverage_documentation", "coverage", "Documentation for a payer in the United States"),
)


def _shown(
    held: CaseRead, thresholds: Thresholds, today: str, forms: Mapping[str, Form], offices: Collection[Office]
) -> dict[str, Any]:
    data, course = held.data, held.course
    stage = StageName(data["stage"])
    sections = _SECTIONS.get(stage, _TITRATING)
    people = {role: name_of(held.people.get(data["resources"].get(role, ""), {})) for role in _PEOPLE}
    week = next((a for a in data["activities"] if a["title"] == "This week"), None)
    late = data["overdue_from"] if data["overdue_from"] and data["overdue_from"] <= today else ""
    follow_up = data["follow_up"]
    return {
        "case": data,
        "people": people,
        "born": _born(str(held.people.get(data["resources"]["patient"], {}).get("birthDate", ""))),
        "late": late,
        "track": [{"name": s.value, "here": s is stage} for s in _TRACK],
        "off_track": stage not in _TRACK,
        "sections": sections,
        "week": lines_of(week["instruction"], held.telephones) if week else [],
        "until": week["when"] if week else "",
        "advice": [a for a in data["activities"] if a is not week and not a["title"].startswith(_NEXT)],
        "first_forms": [forms[key] for key in _NEXT_FORMS[stage] if key in forms],
        "other_forms": [f for f in forms.values() if f.key not in _NEXT_FORMS[stage]],
        "own_kinds": {f.kind for f in forms.values() if f.kind},
        "readiness": decision_shown(data["readiness"]),
        "step": outcome_shown(data["next_step"]) if data["next_step"] else None,
        "referral_check": (decision_shown if sections is _BEFORE else outcome_shown)(data["referral_check"]),
        "coverage": outcome_shown(data["us_coverage_documentation"]) if data["us_coverage_documentation"] else None,
        "follow_up": outcome_shown(follow_up) if follow_up else None,
        "visits": follow_up["visits"] if follow_up else [],
        "response": response_shown(data["response"], course, data["questions"]) if data["response"] else None,
        "questions": questions_shown(data["questions"]),
        "flags": flags_shown(data["red_flags"], data["as_of"], offices, data["case_number"]),
        "withdrawn": withdrawn_shown(data["withdrawn_red_flags"]),
        "chart": course_chart(course, thresholds) if has_course(course) else None,
        "before": has_course(course) and has_before(course),
    }


def _last(history: list[HistoryEntry], entered: HistoryEntry | None) -> list[HistoryEntry]:
    """The last entries, and the one just entered; without moves of the referral from before them, as entries are left out."""
    made = [e for e in history if e.counts.at]
    shown = made[:LAST]
    since = history.index(shown[-1]) if shown else len(history)
    return [e for i, e in enumerate(history) if e in shown or e is entered or (not e.counts.at and i < since)]


_NEXT = ("Next: ", "Nothing is due")
_PEOPLE = ("patient", "physician", "dental_office")


def _born(text: str) -> str:
    """A birth date in words; one that is told less exactly as it stands."""
    try:
        return day(day_of(text))
    except ValueError:
        return text


def _entered(key: str, entry_id: str, history: list[HistoryEntry]) -> HistoryEntry | None:
    """The entry that a form was just about."""
    kind = FORMS[key].kind if key in FORMS else ""
    return next((e for e in history if kind and e.kind == kind and e.entry_id == entry_id and entry_id), None)


def _done(what: str, key: str, entered: HistoryEntry | None) -> str:
    """What was just done, in our own words: nothing of the address is shown."""
    if what not in _DONE or key not in FORMS:
        return ""
    told = f" {entered.title}, {entered.day}: {entered.counts.words}." if entered else ""
    return f"{_DONE[what]}: {FORMS[key].title.lower()}.{told}"
