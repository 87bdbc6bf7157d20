"""Pages for people: the worklist and one case, without script."""

from __future__ import annotations

from html import escape

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.fhir.engine import CAUTION
from service.fhir.json_text import load
from service.web.audit import note_case, note_list
from service.web.exchange import seen_by_sender

router = APIRouter(tags=["Pages"], include_in_schema=False)
_STYLE = """
body { font: 17px/1.5 Georgia, serif; color: #1d2b33; background: #fbfaf6; margin: 0 auto; max-width: 46rem;
       padding: 1.5rem; }
h1, h2, h3 { font-weight: 600; line-height: 1.25; } h2 { font-size: 1.35rem; } h3 { font-size: 1.1rem; }
a { color: #14556b; } table { border-collapse: collapse; width: 100%; } .wide { overflow-x: auto; }
th, td { text-align: left; padding: .45rem .6rem; border-bottom: 1px solid #d8d3c4; vertical-align: top; }
li { margin: .35rem 0; } .caution { border-left: 4px solid #9a6a00; padding: .4rem .8rem; background: #fff6df; }
"""


def _page(title: str, inside: str) -> Response:
    text = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<link rel="stylesheet" href="/style.css"></head><body><main>{inside}</main></body></html>'
    )
    return Response(text, media_type="text/html; charset=utf-8")


@router.get("/style.css")
async def style() -> Response:
    """The style sheet of every page."""
    return Response(_STYLE, media_type="text/css")


@router.get("/")
async def board(request: Request) -> Response:
    """Whose move it is, longest waiting first."""
    pipeline = seen_by_sender(request, "s", "CarePlan")
    rows = await run_in_threadpool(pipeline.worklist, None, None, 200)
    note_list(request)
    today = pipeline.today().isoformat()
    lines = "".join(
        f'<tr><td><a href="/cases/{escape(r.case_number)}/page">{escape(r.case_number)}</a></td>'
        f"<td>{escape(r.whose_move)}{' <b>(urgent)</b>' if r.urgent else ''}</td>"
        f"<td>{escape(r.stage.replace('-', ' '))}</td><td>{escape(r.waiting_since)}"
        f"{' <b>(overdue)</b>' if r.overdue_from and r.overdue_from <= today else ''}</td>"
        f"<td>{escape(r.decided_on)}</td></tr>"
        for r in rows
    )
    head = "<tr><th>Case</th><th>Whose move</th><th>Stage</th><th>Since</th><th>As of</th></tr>"
    table = f'<div class="wide"><table><thead>{head}</thead><tbody>{lines}</tbody></table></div>'
    inside = table if rows else "<p>No case is on record yet. A sleep laboratory opens one with a referral.</p>"
    return _page("Airway Relay", f'<h1>Cases</h1>{inside}<p class="caution">{escape(CAUTION)}</p>')


@router.get("/cases/{case_number}/page")
async def case_page(request: Request, case_number: str) -> Response:
    """One case: the narrative of its CarePlan."""
    held = await run_in_threadpool(seen_by_sender(request, "r", "CarePlan").resource, "CarePlan", case_number)
    note_case(request, case_number)
    narrative: str = load(held.body)["text"]["div"]
    links = f'<p><a href="/">All cases</a> · <a href="/fhir/CarePlan/{escape(case_number)}">FHIR CarePlan</a></p>'
    return _page(f"Case {case_number}", narrative + links)
