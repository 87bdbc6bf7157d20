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
from service.rules.reason import say
from service.rules.words import day
from service.web.audit import note_case
from service.web.exchange import pipeline_of
from service.web.pages.check_in_words import DRIVING, HEALTH, HEARERS, PAIN, TROUBLES, hints, what_to_do
from service.web.pages.messages import Posted, posted
from service.web.pages.patient_lines import is_urgent, lines_of, main_message
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute
from service.web.problems import STATUS

router = APIRouter(prefix="/check-in", tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_HEADERS = {**HEADERS, "Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex, nofollow, noarchive"}
_SCALES = ("snoring_0_to_10", "restedness_0_to_10")
_WHOLES = (*_SCALES, "nights_reported", "nights_worn", "epworth_total", "recorder_nights")
_CHOICES = {"who_could_hear": dict(HEARERS), "driving": dict(DRIVING)}
_LABELS = {
    "snoring_0_to_10": "Snoring",
    "restedness_0_to_10": "How rested you feel",
    "nights_worn": "Nights worn",
    "hours_per_night": "Hours a night",
    "epworth_total": "Epworth total",
    "recorder_nights": "Nights with a recorder",
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
    stands = await run_in_threadpool(check_in_links.opened, pipeline, token)
    asking = stands or asking
    at_once = what_to_do(told.red_flags, told.pain_grade)
    lines = lines_of(asking.week or at_once, asking.telephones)
    main, rest = main_message(lines)
    urgent = bool(told.red_flags) or (bool(at_once) and is_urgent(lines))
    return _page(
        request,
        "check-in-done.html",
        urgent=urgent,
        main=main,
        rest=rest,
        hints=hints(told.red_flags),
        caution=_CAUTION,
    )


_CAUTION = say("patient.caution")


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
    main, rest = main_message(lines_of(asking.week, asking.telephones))
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
        main=main,
        rest=rest,
        urgent=is_urgent(main),
        troubles=TROUBLES,
        pains=PAIN,
        hearers=HEARERS,
        drives=DRIVING if asking.driving_untold or held.get("driving") else (),
        health=HEALTH,
        caution=_CAUTION,
        hours=limits.HOURS_PER_NIGHT,
        nights_limit=limits.RECORDER_NIGHTS.high,
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
    for name, known in _CHOICES.items():
        if given.get(name, "") in known:
            said[name] = given[name]
    if said.get("who_could_hear") != "recorder":
        said.pop("recorder_nights", None)
    changes = [kind for kind, _ in HEALTH if given.get(f"health-{kind}") == "yes"]
    if changes:
        said["health_changes"] = changes
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
