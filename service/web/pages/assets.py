"""The style sheet and the script of the pages, as files of their own: the pages hold neither."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from fastapi import APIRouter, Response

router = APIRouter(tags=["Pages"], include_in_schema=False)
_FOLDER = Path(__file__).parent.parent / "assets"


@cache
def _text(name: str) -> str:
    return (_FOLDER / name).read_text(encoding="utf-8")


@router.get("/style.css")
async def style() -> Response:
    """The style sheet of every page."""
    return Response(_text("style.css"), media_type="text/css")


@router.get("/page.js")
async def script() -> Response:
    """The script of every page; nothing depends on it."""
    return Response(_text("page.js"), media_type="text/javascript")


@router.get("/icon.svg")
async def icon() -> Response:
    """The icon in the browser's tab."""
    return Response(_text("icon.svg"), media_type="image/svg+xml")
