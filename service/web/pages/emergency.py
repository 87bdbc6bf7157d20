"""How a signed-in person opens emergency access to one patient's record, and finds what they have open."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.emergency import (
    FEWEST_WORDS,
    LONGEST_REASON,
    MOST_OF_ONE_PERSON_AN_HOUR,
    SHORTEST_REASON,
)
from service.errors import Category, Problem, Refused, refuse
from service.pipeline.access.emergencies import Wanted
from service.web import csrf
from service.web.emergency_api import emergencies_of, opened
from service.web.exchange import grant_of
from service.web.pages.messages import posted
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute
from service.web.problems import STATUS
from service.web.session_cookie import session_of

router = APIRouter(prefix="/emergency", tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_ELSEWHERE = "This form did not come from this page, or its page is too old. Nothing was opened; please send it again."
_EMPTY = {"about": "", "reason": ""}


@router.get("")
async def show(request: Request) -> Response:
    """The form, and the accesses that whoever asks has open."""
    _may(request)
    return await _shown(request, {**_EMPTY, "about": request.query_params.get("about", "")[:80]})


@router.post("")
async def take(request: Request) -> Response:
    """Open an access, and lead to the case; or show the form again with what is wrong."""
    _may(request)
    given = await posted(request)
    typed = {name: given.get(name, "").strip() for name in _EMPTY}
    if not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        return await _shown(request, typed, (Problem(Category.FORBIDDEN, _ELSEWHERE),))
    patient = typed["about"] if typed["about"].startswith("Patient/") else ""
    wanted = Wanted(patient, "" if patient else typed["about"], typed["reason"], _name_of(request))
    try:
        made = await opened(request, wanted)
    except Refused as refused:
        return await _shown(request, typed, refused.problems)
    place = f"/cases/{quote(made.cases[0])}/page" if len(made.cases) == 1 else "/emergency"
    return Response(status_code=303, headers={**HEADERS, "Location": place})


def _name_of(request: Request) -> str:
    session = session_of(request)
    return session.name if session else ""


def _may(request: Request) -> None:
    grant = grant_of(request)
    if not grant.person or not emergencies_of(request).may_open(grant):
        sentence = "Emergency access by this page is for signed-in people to whom the keeper of this service grants it."
        raise refuse(Category.FORBIDDEN, sentence)


async def _shown(request: Request, typed: dict[str, str], problems: tuple[Problem, ...] = ()) -> Response:
    held = await run_in_threadpool(emergencies_of(request).open_of, grant_of(request))
    status, token = STATUS[problems[0].category] if problems else 200, csrf.token_of(request)
    told: dict[str, Any] = {
        "typed": typed,
        "wrong_reason": [p.message for p in problems if p.path == "reason"],
        "wrong_about": [p.message for p in problems if p.path in ("patient", "case_number")],
        "rest": [p.message for p in problems if p.path not in ("reason", "patient", "case_number")],
        "held": held,
        "hours": emergencies_of(request).hours,
        "most": MOST_OF_ONE_PERSON_AN_HOUR,
        "words": FEWEST_WORDS,
        "shortest": SHORTEST_REASON,
        "longest": LONGEST_REASON,
    }
    made = page(request, "emergency.html", status, token=token, token_field=csrf.FIELD, **told)
    return csrf.give(request, made, token)
