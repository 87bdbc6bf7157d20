"""A small world of resources for search tests, and what R4 says a search finds in it, told without any index.

The rules are those of https://hl7.org/fhir/R4/search.html, written down once more and independently: resources are walked
one by one, dates are compared as moments of `datetime`, texts by their letters.
"""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime, timedelta
from typing import Any

Body = dict[str, Any]
_END = datetime.max.replace(tzinfo=UTC)
_BEGIN = datetime.min.replace(tzinfo=UTC)


def span(text: str) -> tuple[datetime, datetime]:
    """First and last microsecond of a date."""
    if len(text) == 4:
        return datetime(int(text), 1, 1, tzinfo=UTC), datetime(int(text), 12, 31, 23, 59, 59, 999999, tzinfo=UTC)
    if len(text) == 7:
        year, month = map(int, text.split("-"))
        following = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=UTC)
        return datetime(year, month, 1, tzinfo=UTC), following - timedelta(microseconds=1)
    if len(text) == 10:
        day = datetime.fromisoformat(text).replace(tzinfo=UTC)
        return day, day + timedelta(days=1, microseconds=-1)
    moment = datetime.fromisoformat(text).astimezone(UTC)
    if "." in text:
        digits = len(text.split(".")[1].rstrip("Z").split("+")[0].split("-")[0])
        return moment, moment + timedelta(microseconds=10 ** (6 - digits) - 1)
    return moment, moment + timedelta(seconds=1, microseconds=-1)


def element_span(element: Any) -> tuple[datetime, datetime]:
    if isinstance(element, str):
        return span(element)
    start = span(element["start"])[0] if "start" in element else _BEGIN
    end = span(element["end"])[1] if "end" in element else _END
    return start, end


def date_matches(element: Any, text: str, prefix: str) -> bool:
    """One date of a resource against one date searched."""
    first, last = element_span(element)
    start, end = span(text)
    inside = start <= first and last <= end
    return {
        "eq": inside,
        "ne": not inside,
        "gt": last > end,
        "lt": first < start,
        "ge": last > end or inside,
        "le": first < start or inside,
        "sa": first > end,
        "eb": last < start,
    }[prefix]


def folded(text: str) -> str:
    letters = unicodedata.normalize("NFD", text.casefold())
    return "".join(c for c in letters if unicodedata.category(c) != "Mn")


def string_matches(text: str, wanted: str, modifier: str) -> bool:
    if modifier == "exact":
        return text == wanted
    if modifier == "contains":
        return folded(wanted) in folded(text)
    return folded(text).startswith(folded(wanted))


def token_matches(code: str, system: str | None, wanted: str) -> bool:
    if "|" not in wanted:
        return code == wanted
    wanted_system, wanted_code = wanted.split("|")
    if wanted_code and code != wanted_code:
        return False
    return (system or "") == wanted_system


def codings(element: Any) -> list[tuple[str, str | None]]:
    return [(c["code"], c.get("system")) for c in (element or {}).get("coding", [])]


def names(body: Body, *keys: str) -> list[str]:
    found: list[str] = []
    for name in body.get("name", []):
        for key in keys:
            held = name.get(key, [])
            found += [held] if isinstance(held, str) else held
    return found
