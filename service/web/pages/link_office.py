"""How a dental office makes a patient's check-in link, shows it once as text and as a QR code, and ends it."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import segno
from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, Problem
from service.pipeline import check_in_links
from service.web import csrf
from service.web.audit import note_case
from service.web.check_in_link_api import address_of, days_of
from service.web.exchange import grant_of, pipeline_of
from service.web.pages.messages import posted
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute, refusal

router = APIRouter(
    prefix="/cases/{case_number}/check-in-link", tags=["Pages"], include_in_schema=False, route_class=PageRoute
)
_ELSEWHERE = "This form did not come from this page, or its page is too old. Nothing was changed; please send it again."


@router.get("")
async def show(request: Request, case_number: str) -> Response:
    """Whether the patient has a link, until when, and how often it was used; its address is not kept."""
    held = await run_in_threadpool(check_in_links.standing, pipeline_of(request), grant_of(request), case_number)
    note_case(request, case_number)
    return _shown(request, case_number, held=held)


@router.post("")
async def make(request: Request, case_number: str) -> Response:
    """Make a new link and show it, this once."""
    given = await posted(request)
    if not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        return refusal(request, (Problem(Category.FORBIDDEN, _ELSEWHERE),))
    pipeline, number = pipeline_of(request), request.state.request_id
    new = await run_in_threadpool(
        check_in_links.make, pipeline, grant_of(request), case_number, days_of(request), number
    )
    address = address_of(request, new.secret)
    code = segno.make(address, error="m", micro=False)
    drawn = code.svg_inline(scale=4, border=4, light="#ffffff", omitsize=True, svgclass="qr", lineclass=None)
    return _shown(request, case_number, link=address, until=new.expires_at, code=drawn)


@router.post("/end")
async def end(request: Request, case_number: str) -> Response:
    """End the patient's link."""
    given = await posted(request)
    if not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        return refusal(request, (Problem(Category.FORBIDDEN, _ELSEWHERE),))
    pipeline, number = pipeline_of(request), request.state.request_id
    await run_in_threadpool(check_in_links.end, pipeline, grant_of(request), case_number, number)
    place = f"/cases/{quote(case_number)}/check-in-link"
    return Response(status_code=303, headers={**HEADERS, "Location": place})


def _shown(request: Request, case_number: str, **shown: Any) -> Response:
    token = csrf.token_of(request)
    told = {"held": None, "link": "", "until": "", "code": "", "days": days_of(request), **shown}
    made = page(request, "link.html", case_number=case_number, token=token, token_field=csrf.FIELD, **told)
    return csrf.give(request, made, token)
