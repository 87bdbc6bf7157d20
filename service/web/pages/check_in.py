"""The patient's check-in by a personal link, on a telephone, in plain words and without script.

The link is the secret: no cookie and no sign-in stand beside it, so that another site could not send this form without
knowing the link. The page names the patient by initials alone and leads nowhere else, because a link can be passed on.
"""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.limits import Failures, address_group
from service.errors import Problem, Refused
from service.pipeline import check_in_links
from service.pipeline.check_in_links import Asking, Told
from service.rules import limits
from service.rules.words import day
from service.web.audit import note_case
from service.web.exchange import pipeline_of
from service.web.pages.check_in_words import PAIN, TROUBLES, what_to_do
from service.web.pages.messages import Posted, posted
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute
from service.web.problems import STATUS

router = APIRouter(prefix="/check-in", tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_HEADERS = {**HEADERS, "Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex, nofollow, noarchive"}
_SCALES = ("snoring_0_to_10", "restedness_0_to_10")
_WHOLES = (*_SCALES, "nights_reported", "nights_worn", "epworth_total")
_LABELS = {
    "snoring_0_to_10": "Snoring",
    "restedness_0_to_10": "How rested you feel",
    "nights_worn": "Nights worn",
    "hours_per_night": "Hours a night",
    "epworth_total": "Epworth total",
}
_WHOLE = re.compile(r"-?[0-9]{1,9}")


@router.get("/{token}")
async def ask(request: Request, token: str) -> Response:
    """This week's instruction and the questions."""
    asking = await _opened(request, token)
    if isinstance(asking, Response):
        return asking
    note_case(request, asking.case_number)
    return _form(request, asking)


@router.post("/{token}")
async def take(request: Request, token: str) -> Response:
    """Store the answers, and say at once what to do about a warning sign."""
    asking = await _opened(request, token)
    if isinstance(asking, Response):
        return asking
    given = await posted(request)
    told, pipeline = _told(given), pipeline_of(request)
    try:
        stored = await run_in_threadpool(check_in_links.take, pipeline, token, told, request.state.request_id)
    except Refused as refused:
        return _form(request, asking, given, refused.problems)
    if stored is None:
        return _no_link(request)
    advice = what_to_do(told.red_flags, told.pain_grade)
    return _page(request, "check-in-done.html", urgent=bool(told.red_flags), advice=advice)


async def _opened(request: Request, token: str) -> Asking | Response:
    """What the link asks; the one plain page when it does not hold, or its address has tried too many."""
    failures: Failures = request.app.state.check_in_failures
    address = address_group(request.client.host if request.client else "")
    wait_s = failures.wait_s(address, time.monotonic())
    if wait_s:
        return _no_link(request, 429, wait_s)
    asking = await run_in_threadpool(check_in_links.opened, pipeline_of(request), token)
    if asking is None:
        failures.add(address, time.monotonic())
        return _no_link(request)
    request.state.grant = asking.grant
    return asking


def _no_link(request: Request, status: int = 404, wait_s: int = 0) -> Response:
    """The page of every link that does not hold: unknown, expired, ended, or of a case that is closed."""
    made = _page(request, "check-in-none.html", status)
    if wait_s:
        made.headers["Retry-After"] = str(wait_s)
    return made


def _form(request: Request, asking: Asking, given: Posted | None = None, problems: Sequence[Problem] = ()) -> Response:
    status = STATUS[problems[0].category] if problems else 200
    held = given or {}
    nights = int(n) if (n := held.get("nights_reported", "")).isdecimal() and len(n) < 3 else asking.nights
    return _page(
        request,
        "check-in.html",
        status,
        asking=asking,
        since=day(asking.since) if asking.since else "",
        nights=nights,
        held=held,
        ticked={kind for kind, _ in TROUBLES if held.get(f"trouble-{kind}")},
        problems=list(dict.fromkeys(_sentence(p) for p in problems)),
        troubles=TROUBLES,
        pains=PAIN,
        hours=limits.HOURS_PER_NIGHT,
        epworth=limits.EPWORTH_TOTAL,
    )


def _page(request: Request, template: str, status: int = 200, **shown: Any) -> Response:
    made = page(request, template, status, **shown)
    made.headers.update(_HEADERS)
    return made


def _sentence(problem: Problem) -> str:
    """A problem in words; the question it is about stands before it."""
    label = _LABELS.get(problem.path.rsplit(".", 1)[-1], "")
    return f"{label}: {problem.message}" if label else problem.message


def _told(given: Posted) -> Told:
    """What was filled in; what is no number stays text, which the message's model then refuses."""
    said: dict[str, Any] = {}
    for name in _WHOLES:
        text = given.get(name, "").strip()
        if text:
            said[name] = int(text) if _WHOLE.fullmatch(text) else text
    hours = given.get("hours_per_night", "").strip()
    if hours:
        said["hours_per_night"] = _decimal(hours)
    if "nights_worn" not in said:
        said.pop("nights_reported", None)
    pauses = {"yes": True, "no": False}.get(given.get("witnessed_pauses", ""))
    if pauses is not None:
        said["witnessed_pauses"] = pauses
    return Told(said, _grade(given), tuple(kind for kind, _ in TROUBLES if given.get(f"trouble-{kind}")))


def _decimal(text: str) -> Any:
    try:
        number = Decimal(text.replace(",", "."))
    except InvalidOperation:
        return text
    return number if number.is_finite() and abs(number.adjusted()) < 9 else text


def _grade(given: Mapping[str, str]) -> int | None:
    grades = {str(grade): grade for grade, _ in PAIN}
    return grades.get(given.get("pain_grade", ""))
