"""Cases as JSON: the worklist, one case, its readiness on a day, its messages as received."""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode
from datetime import date

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.rules.decision import Party
from service.web.audit import note_case, note_list
from service.web.exchange import answer, day_asked, seen_by_sender

router = APIRouter(prefix="/cases", tags=["Cases"])
_PAGE = 50


@router.get("", response_class=Response)
async def worklist(request: Request) -> Response:
    """Cases, longest waiting first; `whose_move` and `overdue=true` filter, `after` continues the page before.

    Of overdue cases the longest overdue comes first.
    """
    query = request.query_params
    unknown = set(query) - {"whose_move", "overdue", "after", "limit"}
    if unknown:
        raise refuse(Category.INVALID, f"The worklist has no filter «{sorted(unknown)[0][:40]}».")
    whose = query.get("whose_move")
    if whose and whose not in {p.value for p in Party}:
        raise refuse(Category.INVALID, f"whose_move is one of {', '.join(p.value for p in Party)}.", "whose_move")
    overdue = query.get("overdue", "false")
    if overdue not in ("true", "false"):
        raise refuse(Category.INVALID, "overdue is true or false.", "overdue")
    limit = query.get("limit", str(_PAGE))
    if not limit.isascii() or not limit.isdigit() or not 1 <= int(limit[:9]) <= 200:
        raise refuse(Category.INVALID, "limit is a whole number from 1 to 200.", "limit")
    pipeline, late = seen_by_sender(request, "s", "CarePlan"), overdue == "true"
    rows = await run_in_threadpool(pipeline.worklist, whose, _after(query.get("after")), int(limit), late)
    note_list(request)
    today = pipeline.today().isoformat()
    cases = [
        {
            "case_number": r.case_number,
            "stage": r.stage,
            "whose_move": r.whose_move,
            "since": r.waiting_since,
            "overdue_since": r.overdue_from if r.overdue_from and r.overdue_from <= today else None,
            "readiness": r.outcome,
            "urgent": r.urgent,
            "as_of": r.decided_on,
        }
        for r in rows
    ]
    more = len(rows) == int(limit)
    last = rows[-1] if more else None
    following = _token((last.overdue_from or "") if late else last.waiting_since, last.case_number) if last else None
    return answer({"cases": cases, "after": following})


@router.get("/{case_number}", response_class=Response)
async def one_case(request: Request, case_number: str) -> Response:
    """One case: stage, whose move, decision with every reason, next step, response, what happens now."""
    told = await run_in_threadpool(seen_by_sender(request, "r", "CarePlan").case, case_number)
    note_case(request, case_number)
    return answer(told)


@router.get("/{case_number}/readiness", response_class=Response)
async def readiness(request: Request, case_number: str) -> Response:
    """The case as of a day (`as_of`, by default today), from the facts known that day."""
    pipeline = seen_by_sender(request, "r", "CarePlan")
    as_of = day_asked(request, "as_of", pipeline.today())
    told = await run_in_threadpool(pipeline.case_as_of, case_number, as_of)
    note_case(request, case_number)
    return answer(told)


@router.get("/{case_number}/messages", response_class=Response)
async def messages(request: Request, case_number: str) -> Response:
    """Every message of the case, exactly as received, for who may read resources of every type."""
    pipeline = seen_by_sender(request, "r", "*")
    await run_in_threadpool(pipeline.case, case_number)
    kept = await run_in_threadpool(pipeline.messages, case_number)
    note_case(request, case_number)
    return answer(
        {
            "messages": [
                {"id": i, "received_at": at, "channel": channel, "text": text.decode("utf-8")}
                for i, at, channel, text in kept
            ]
        }
    )


def _token(since: str, case_number: str) -> str:
    return urlsafe_b64encode(f"{since}|{case_number}".encode()).decode()


def _after(token: str | None) -> tuple[str, str] | None:
    if not token:
        return None
    try:
        since, case_number = urlsafe_b64decode(token.encode()).decode().split("|")
        date.fromisoformat(since)
    except ValueError:
        raise refuse(Category.INVALID, "after must be the value a page before gave.", "after") from None
    return since, case_number
