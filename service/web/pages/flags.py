"""Open red flags as pages and papers show them: why, whose, since and until when, and who closes them."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import date
from typing import Any
from urllib.parse import urlencode

from service.access.grant import Office
from service.rules.words import day, spoken

CLOSES = {"dentist": "the dental office", "physician": "the physician's office"}
_OFFICES = {"dentist": Office.DENTAL_OFFICE, "physician": Office.PHYSICIAN}


def flags_shown(
    flags: Iterable[dict[str, Any]], as_of: str, offices: Collection[Office] = (), case_number: str = ""
) -> list[dict[str, str]]:
    """Open red flags, with the address of the form that closes one for the office it is for."""
    return [
        {
            "title": _title(flag["kind"]),
            "sentence": flag["sentence"],
            "since": flag["since"],
            "due": _due(flag["due"], as_of),
            "how": "found by rule from the records" if flag["derived"] else "",
            "closes": CLOSES[flag["office"]],
            "form": _form(flag, case_number) if _OFFICES[flag["office"]] in offices else "",
        }
        for flag in flags
    ]


def withdrawn_shown(flags: Iterable[dict[str, Any]]) -> list[dict[str, str]]:
    """Red flags that ended as withdrawn by correction."""
    return [{"title": _title(f["kind"]), "sentence": f["sentence"]} for f in flags]


def _title(kind: str) -> str:
    words = "drowsy driving or a near miss" if kind == "drowsy-driving" else spoken(kind)
    return words[:1].upper() + words[1:]


def _due(due: str, as_of: str) -> str:
    if due < as_of:
        return f"was due on {day(date.fromisoformat(due))}"
    return "due today" if due == as_of else f"due by {day(date.fromisoformat(due))}"


def _form(flag: dict[str, Any], case_number: str) -> str:
    told = urlencode({"kind": flag["kind"], "office": flag["office"]})
    return f"/cases/{case_number}/forms/red-flag-closure?{told}"
