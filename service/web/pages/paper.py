"""The letter and the instruction sheet of a case, as pages to print and as PDF."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.errors import Category, refuse
from service.pipeline.page_reads import CaseRead, Entries, case_read
from service.pipeline.reading import Reads
from service.web.audit import note_case
from service.web.exchange import seen_by_sender
from service.web.pages.papers import Paper, letter_of
from service.web.pages.render import page
from service.web.pages.routes import PageRoute
from service.web.pages.sheet import sheet_of

router = APIRouter(prefix="/cases/{case_number}", tags=["Pages"], include_in_schema=False, route_class=PageRoute)
Made = Callable[[CaseRead], Paper]


@router.get("/letter")
async def letter(request: Request, case_number: str) -> Response:
    """The letter to the physician, to be printed."""
    return page(request, "paper.html", paper=await _read(request, case_number, letter_of))


@router.get("/sheet")
async def sheet(request: Request, case_number: str) -> Response:
    """The patient's instruction sheet, to be printed."""
    return page(request, "paper.html", paper=await _read(request, case_number, sheet_of))


@router.get("/letter.pdf")
async def letter_pdf(request: Request, case_number: str) -> Response:
    """The letter as PDF; `paper` is a4 or letter."""
    return await _pdf(request, case_number, letter_of, "letter")


@router.get("/sheet.pdf")
async def sheet_pdf(request: Request, case_number: str) -> Response:
    """The instruction sheet as PDF; `paper` is a4 or letter."""
    return await _pdf(request, case_number, sheet_of, "sheet")


async def _read(request: Request, case_number: str, made: Made) -> Paper:
    pipeline = seen_by_sender(request, "r", "*")
    held = await run_in_threadpool(case_read, pipeline, case_number, Entries.NONE)
    note_case(request, case_number)
    return made(held)


async def _pdf(request: Request, case_number: str, made: Made, name: str) -> Response:
    from service.web.pages.paper_pdf import SIZES, pdf_of  # takes a while to load, and is not always needed

    pipeline: Reads = seen_by_sender(request, "r", "*")
    size = request.query_params.get("paper") or ("letter" if pipeline.site.region == "US" else "a4")
    if size not in SIZES:
        raise refuse(Category.BAD_QUERY, f"paper is one of {', '.join(SIZES)}.")
    paper = await _read(request, case_number, made)
    body = await run_in_threadpool(pdf_of, paper, size)
    headers = {"Content-Disposition": f'inline; filename="{name}-{paper.case_number}.pdf"'}
    return Response(body, headers=headers, media_type="application/pdf")
