"""The few XHTML shapes of a narrative; text comes escaped.

https://hl7.org/fhir/R4/narrative.html
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from service.fhir.told import Told
from service.rules.decision import Criterion


def paragraph(*texts: str) -> str:
    """A paragraph of the texts that say something; empty when none does."""
    held = " ".join(text for text in texts if text)
    return f"<p>{held}</p>" if held else ""


def item(name: str, sentence: str) -> str:
    """A name in bold with its sentence, which may be empty."""
    return f"<b>{escape(name)}{':' if sentence else '.'}</b> {sentence}".rstrip()


def rows(items: Iterable[str]) -> str:
    """A list of the items that say something; empty when none does."""
    held = "".join(f"<li>{text}</li>" for text in items if text)
    return f"<ul>{held}</ul>" if held else ""


def criteria(found: Sequence[Criterion], told: Told) -> str:
    """Every criterion: how it came out, its sentence unless it was said, and the notes behind it."""
    return rows(
        f"<b>{escape(c.title)}: {c.standing}.</b> {told.once(c.sentence)}".rstrip()
        + told.notes(c.thresholds, c.sentence)
        for c in found
    )
