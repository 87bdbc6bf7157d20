"""The board: whose move it is, what is waiting and since when, in pages that hold however many cases there are."""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode
from datetime import date
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.pipeline.page_reads import Filter, OnBoard, board_page, is_case
from service.rules.decision import Party
from service.rules.stage import StageName
from service.web.audit import note_list
from service.web.emergency_api import emergencies_of
from service.web.exchange import grant_of, seen_by_sender
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute

router = APIRouter(tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_PAGE, _MOST_URGENT = 30, 10
_ONLY = ("", "urgent", "overdue")


@router.get("/")
async def board(request: Request) -> Response:
    """Whose move it is, what is urgent first, then longest waiting first; filters and search by plain GET."""
    query, pipeline = request.query_params, seen_by_sender(request, "r", "*", one_record=False)
    sought = query.get("case", "").strip().upper()[:64]
    if sought and await run_in_threadpool(is_case, pipeline, sought):
        return Response(status_code=303, headers={**HEADERS, "Location": f"/cases/{quote(sought)}/page"})
    mover, stage, only = query.get("whose_move", ""), query.get("stage", ""), query.get("only", "")
    if mover not in ("", *Party) or stage not in ("", *StageName) or only not in _ONLY:
        raise refuse(Category.BAD_QUERY, "The board has no such filter.")
    today = pipeline.today().isoformat()
    wanted = Filter(mover, stage, only == "urgent", today if only == "overdue" else "")
    rows = await run_in_threadpool(board_page, pipeline, wanted, _after(query.get("after", "")), _PAGE + 1)
    note_list(request)
    shown = rows[:_PAGE]
    urgent: list[OnBoard] = []
    if wanted == Filter() and not query.get("after"):
        urgent = await run_in_threadpool(board_page, pipeline, Filter(urgent=True), None, _MOST_URGENT)
    first = {one.row.case_number for one in urgent}
    chosen = {k: v for k, v in (("whose_move", mover), ("stage", stage), ("only", only)) if v}
    return page(
        request,
        "board.html",
        urgent=[card(one, today) for one in urgent],
        more_urgent=len(urgent) == _MOST_URGENT,
        cases=[card(one, today) for one in shown if one.row.case_number not in first],
        next_page=_address(chosen, shown[-1], only == "overdue") if len(rows) > _PAGE else "",
        first_page=not query.get("after"),
        chosen=chosen,
        parties=[p.value for p in Party],
        stages=[s.value for s in StageName],
        sought=sought,
        today=today,
        may_open=bool(grant_of(request).person) and emergencies_of(request).may_open(grant_of(request)),
    )


def card(one: OnBoard, today: str) -> dict[str, Any]:
    """What a card shows of a case."""
    row = one.row
    late = row.overdue_from if row.overdue_from and row.overdue_from <= today else ""
    return {
        "number": row.case_number,
        "patient": one.patient,
        "stage": row.stage,
        "whose_move": row.whose_move,
        "since": row.waiting_since,
        "days": (date.fromisoformat(today) - date.fromisoformat(row.waiting_since)).days,
        "overdue": late,
        "due": "" if late else row.overdue_from or "",
        "urgent": row.urgent,
        "outcome": row.outcome,
        "as_of": row.decided_on,
        "why": one.why,
    }


def _address(chosen: dict[str, str], last: OnBoard, late: bool) -> str:
    since = (last.row.overdue_from or "") if late else last.row.waiting_since
    token = urlsafe_b64encode(f"{since}|{last.row.case_number}".encode()).decode()
    return f"/?{urlencode({**chosen, 'after': token})}"


def _after(token: str) -> tuple[str, str] | None:
    if not token:
        return None
    try:
        since, case_number = urlsafe_b64decode(token.encode()).decode().split("|")
        date.fromisoformat(since)
    except ValueError:
        raise refuse(Category.BAD_QUERY, "This page of the board is not known; begin with the first.") from None
    return since, case_number
