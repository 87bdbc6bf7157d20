"""Bundles of pages: searchset and history, with self and next links (https://hl7.org/fhir/R4/bundle.html).

Stored texts are put in as they are, so that what is read in a page is what a read gives, to the last digit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from urllib.parse import urlencode

from service.errors import Category, refuse
from service.fhir.dates import instant
from service.fhir.json_text import write
from service.fhir.search_conditions import Pairs
from service.fhir.search_dates import range_of
from service.fhir.search_query import LARGEST_PAGE, PAGE, TOKEN
from service.rows import Stored

IGNORABLE = ("_format", "_pretty")


def bundle_text(kind: str, links: Iterable[tuple[str, str]], entries: Sequence[str], total: int | None = None) -> str:
    """A Bundle of entries that are JSON text already."""
    head = {"resourceType": "Bundle", "type": kind}
    if total is not None:
        head["total"] = total  # type: ignore[assignment]
    head["link"] = [{"relation": relation, "url": url} for relation, url in links]  # type: ignore[assignment]
    text = write(head)
    return f'{text[:-1]}, "entry": [{", ".join(entries)}]}}' if entries else text


def entry_text(address: str, body: str, more: str) -> str:
    """An entry with a resource as text and one more member as text."""
    held = f'"resource": {body}, ' if body else ""
    return f'{{"fullUrl": {write(address)}, {held}{more}}}'


def links_of(address: str, pairs: Pairs, token: str) -> list[tuple[str, str]]:
    """The self link, with what was understood, and the next one when there is a next page."""
    found = [("self", _address(address, pairs))]
    if token:
        found.append(("next", _address(address, [*(p for p in pairs if p[0] != TOKEN), (TOKEN, token)])))
    return found


def _address(address: str, pairs: Pairs) -> str:
    return f"{address}?{urlencode(pairs, safe=':,/|')}" if pairs else address


def history_entry(base: str, held: Stored) -> str:
    """One version as a history entry (https://hl7.org/fhir/R4/http.html#history)."""
    first = held.version == 1
    method = "DELETE" if held.deleted else "POST" if first else "PUT"
    status = "204" if held.deleted else "201" if first else "200"
    more = {
        "request": {"method": method, "url": held.type if method == "POST" else f"{held.type}/{held.id}"},
        "response": {"status": status, "etag": f'W/"{held.version}"', "lastModified": held.last_updated},
    }
    return entry_text(f"{base}/{held.type}/{held.id}", "" if held.deleted else held.body, write(more)[1:-1])


class AskedPage:
    """The parameters of a history or of $everything; anything else is refused by name."""

    def __init__(self, pairs: Pairs, names: Sequence[str]) -> None:
        self.pairs = [p for p in pairs if p[0] not in IGNORABLE]
        held = dict(self.pairs)
        for name, _ in self.pairs:
            if name not in (*names, TOKEN):
                raise refuse(Category.BAD_QUERY, f"{name[:80]} is not taken here; {', '.join(names)} are.", name[:80])
        if len(held) < len(self.pairs):
            raise refuse(Category.BAD_QUERY, "Each parameter is given once.")
        self.token = held.get(TOKEN, "")
        self.count = _count(held.get("_count"))
        self.since = _since(held.get("_since"))
        self.types = held.get("_type", "")


def _count(text: str | None) -> int:
    if text is None:
        return PAGE
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:9]) <= LARGEST_PAGE:
        raise refuse(Category.BAD_QUERY, f"_count is a whole number from 1 to {LARGEST_PAGE}.", "_count")
    return int(text)


def _since(text: str | None) -> str:
    """An instant as the text stored versions are compared with; empty without one."""
    if text is None:
        return ""
    try:
        start, _ = range_of(text.replace(" ", "+"))
    except ValueError as error:
        raise refuse(Category.BAD_QUERY, f"_since: {error}.", "_since") from None
    return instant(datetime.fromisoformat(start + "+00:00"))
