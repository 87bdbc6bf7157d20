"""A paper as PDF, with fonts of its own for Latin, Greek and Cyrillic letters."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from html import escape
from io import BytesIO
from pathlib import Path
from typing import Any

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import KeepTogether, PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table

from service.fhir.dates import day_of
from service.rules.words import day
from service.web.pages.papers import Paper, Section
from service.web.pages.reasons import cited

_FONTS = Path(__file__).parent.parent / "assets" / "fonts"
_DEEP, _MUTED, _LINE = colors.HexColor("#0f4a5a"), colors.HexColor("#4a5c66"), colors.HexColor("#c8d4d8")
_LATE, _LATE_GROUND = colors.HexColor("#6f4300"), colors.HexColor("#fcf1dd")
_MARGIN = 18 * mm
_FRAME_PADDING = 6
"""In points, of the library's frame on each side."""
SIZES = {"a4": A4, "letter": LETTER}


def pdf_of(paper: Paper, size: str) -> bytes:
    """The paper on pages of a size, each with the case's number and its own."""
    _register()
    out = BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=SIZES[size],
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN,
        title=paper.title,
        author="Airway Relay",
        subject=f"Case {paper.case_number}, as of {paper.as_of}",
        lang="en",
    )

    def footer(canvas: Any, _document: Any) -> None:
        canvas.setFont("Relay", 8)
        canvas.setFillColor(_MUTED)
        canvas.drawString(_MARGIN, 10 * mm, f"Case {paper.case_number}, as of {paper.as_of}")
        canvas.drawRightString(SIZES[size][0] - _MARGIN, 10 * mm, f"Page {canvas.getPageNumber()}")

    document.build(list(_story(paper, document.width - 2 * _FRAME_PADDING)), onFirstPage=footer, onLaterPages=footer)
    return out.getvalue()


@cache
def _register() -> None:
    pdfmetrics.registerFont(TTFont("Relay", str(_FONTS / "DejaVuSans.ttf")))
    pdfmetrics.registerFont(TTFont("Relay-Bold", str(_FONTS / "DejaVuSans-Bold.ttf")))
    pdfmetrics.registerFontFamily("Relay", normal="Relay", bold="Relay-Bold", italic="Relay", boldItalic="Relay-Bold")


def _style(size: float, bold: bool = False, **more: Any) -> ParagraphStyle:
    font = "Relay-Bold" if bold else "Relay"
    return ParagraphStyle(f"{size}{bold}{sorted(more)}", fontName=font, fontSize=size, leading=size * 1.4, **more)


_TITLE = _style(15, True, spaceAfter=6)
_HEAD = _style(11.5, True, spaceBefore=9, spaceAfter=3, textColor=_DEEP)
_OUTCOME = _style(10.5, True, spaceAfter=2)
_BODY = _style(9.2, spaceAfter=2)
_MAIN = _style(20, True, spaceAfter=4)
_LINE_OF_PATIENT = _style(12, spaceAfter=3)
_ITEM = _style(9.2, spaceAfter=2, leftIndent=13, bulletIndent=2, bulletFontName="Relay")
_SMALL = _style(8, textColor=_MUTED, spaceAfter=1)
_CAUTION = _style(
    8.6, spaceBefore=7, spaceAfter=6, backColor=_LATE_GROUND, borderColor=_LATE, borderWidth=0.5, borderPadding=4
)


def _text(words: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(words, quote=False), style)


def _caution(words: str) -> Paragraph:
    return Paragraph(f"<b>Caution.</b> {escape(words, quote=False)}", _CAUTION)


def _story(paper: Paper, width: float) -> Iterator[Any]:
    yield _text(paper.title, _TITLE)
    rows = [[_text(label, _SMALL), _text(value, _BODY)] for label, value in paper.about]
    rows.append([_text("As of", _SMALL), _text(paper.as_of, _BODY)])
    yield Table(rows, colWidths=[28 * mm, width - 28 * mm], style=_BARE, hAlign="LEFT")
    yield Spacer(1, 4)
    yield _caution(paper.caution)
    for section in paper.sections:
        if section.on_new_page:
            yield PageBreak()
        yield from _section(section, width)


_BARE = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
]
_BARE += [("VALIGN", (0, 0), (-1, -1), "TOP")]
_RULED = [*_BARE, ("LINEBELOW", (0, 0), (-1, -1), 0.5, _LINE), ("TOPPADDING", (0, 0), (-1, -1), 2)]


def _section(section: Section, width: float) -> Iterator[Any]:
    first: list[Any] = [_text(section.title, _HEAD)]
    if section.outcome:
        first.append(_text(section.outcome, _OUTCOME))
    first += [_text(words, _BODY) for words in section.words]
    first += [_text(line.text, _MAIN) for line in section.main]
    first += [_text(line.text, _LINE_OF_PATIENT) for line in section.lines]
    first += [_caution(words) for words in section.cautions]
    rest: list[Any] = []
    if section.table:
        head, *rows = section.table
        cells = [[Paragraph(f"<b>{escape(cell)}</b>", _BODY) for cell in head]]
        cells += [[_text(cell, _SMALL if place == 0 else _BODY) for place, cell in enumerate(row)] for row in rows]
        rest.append(
            Table(cells, colWidths=[width * 0.3, width * 0.35, width * 0.35], style=_RULED, hAlign="LEFT", repeatRows=1)
        )
    if section.items:
        rest += [Paragraph(escape(words, quote=False), _ITEM, bulletText="•") for words in section.items]
    reasons = [_reason(reason, width) for reason in section.reasons]
    together = [*first, *rest[:1], *([] if rest else reasons[:1])]
    yield KeepTogether(together)
    yield from rest[1:]
    yield from (reasons if rest else reasons[1:])


def _reason(reason: dict[str, Any], width: float) -> Any:
    """One reason: how it came out, the sentence, and what it was compared with."""
    told = [Paragraph(f"<b>{escape(reason['title'])}.</b> {escape(reason['sentence'], quote=False)}", _BODY)]
    if reason["observed"]:
        told.append(_text(f"Value: {reason['observed']}", _SMALL))
    told += [_text(f"Threshold: {t['value']}: {t['meaning']} ({cited(t)})", _SMALL) for t in reason["thresholds"]]
    told += [_text(f"Source: {note}", _SMALL) for note in reason["notes"]]
    if reason["earliest"]:
        told.append(_text(f"Earliest: {day(day_of(reason['earliest'][:10]))}", _SMALL))
    if reason["needs"]:
        told.append(_text(f"Needed: {reason['needs']}", _SMALL))
    standing = Paragraph(f"<b>{escape(reason['standing'])}</b>", _BODY)
    return Table([[standing, told]], colWidths=[26 * mm, width - 26 * mm], style=_RULED, hAlign="LEFT")
