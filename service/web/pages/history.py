"""The history of a case: every entry with its versions, corrections and withdrawals in sight."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.fhir.build import Resource
from service.fhir.codes import codings_with
from service.fhir.dates import moment_of
from service.inbound.entry_reading import EntryPart, Fields, part_of
from service.pipeline.page_reads import Version, joined
from service.rules.facts import CaseFacts
from service.rules.words import day, number, sides, spoken
from service.web.pages.course_table import test_in_words
from service.web.pages.flags import CLOSES

TITLES = {
    "assessment": "Dental assessment",
    "appliance": "Appliance",
    "setting": "Setting",
    "check-in": "Check-in",
    "side-effect": "Side effect",
    "red-flag": "Red flag",
    "red-flag-closure": "Red flag closed",
    "visit": "Visit",
    "physician-decision": "Physician's decision",
}
_DAYS = ("set_on", "reported_on", "assessed_on", "delivered_on", "visited_on", "decided_on", "closed_on")
_NAMES = {
    "snoring_0_to_10": "snoring",
    "restedness_0_to_10": "restedness",
    "epworth_total": "Epworth total",
    "percent_of_protrusive_range": "share of the protrusive range, %",
    "grade_0_to_3": "grade",
    "active_tmj_disorder": "active TMJ disorder",
    "resolved_by": "closed by",
    "action_taken": "what was done:",
}


@dataclass(frozen=True, slots=True)
class Told:
    """One version of an entry: when it was stored, what it says, and the resource versions that hold it."""

    at: str
    words: str
    withdrawn: bool
    sources: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One entry: its title and day, the version that counts, the earlier ones, and the form that corrects it."""

    title: str
    day: str
    counts: Told
    earlier: tuple[Told, ...] = ()
    kind: str = ""
    entry_id: str = ""

    @property
    def standing(self) -> str:
        """What became of it, in words; empty for an entry that stands as it was first made."""
        if self.counts.withdrawn:
            return "entered in error"
        return "corrected" if self.earlier else ""


def history_of(versions: Iterable[Version], facts: CaseFacts) -> list[HistoryEntry]:
    """The entries of a case and the moves of its referral, the last day first."""
    groups: dict[tuple[str, str], list[tuple[Version, EntryPart | None]]] = {}
    for held in versions:
        part = part_of(held.resource)
        if part is not None:
            groups.setdefault((part.kind, part.entry_id or held.reference), []).append((held, part))
        elif held.reference.split("/")[0] in ("DiagnosticReport", "ServiceRequest"):
            groups.setdefault(("", held.reference), []).append((held, None))
    found = [_plain(key[0], held) if key[0] else _other(held, facts) for key, held in groups.items()]
    if facts.referral:
        source = (facts.referral.source.reference, facts.referral.source.version)
        for on, state in facts.referral.state_since:
            told = Told("", f"The referral became «{spoken(state)}».", False, (source,))
            found.append((on.isoformat(), HistoryEntry("Referral", day(on), told)))
    return [entry for _, entry in sorted(found, key=lambda pair: (pair[0], pair[1].counts.at), reverse=True)]


def _plain(kind: str, held: Sequence[tuple[Version, EntryPart | None]]) -> tuple[str, HistoryEntry]:
    """An entry of a dental or physician's office: what its parts say together at each time they were stored."""
    told: list[Told] = []
    current: dict[str, tuple[Version, EntryPart]] = {}
    fields: Fields = {}
    for at in sorted({version.at for version, _ in held}):
        current |= {v.reference: (v, p) for v, p in held if v.at == at and p is not None}
        parts = [p for _, p in current.values()]
        fields = joined(parts)
        sources = tuple(sorted((v.reference, v.version) for v, _ in current.values()))
        told.append(Told(at, in_words(kind, fields), all(p.withdrawn for p in parts), sources))
    on = next((str(fields[name]) for name in _DAYS if fields.get(name)), "")
    entry_id = next((p.entry_id for _, p in held if p is not None and p.entry_id), "")
    entry = HistoryEntry(TITLES[kind], _day(on), told[-1], tuple(reversed(told[:-1])), kind, entry_id)
    return on[:10], entry


def _other(held: Sequence[tuple[Version, EntryPart | None]], facts: CaseFacts) -> tuple[str, HistoryEntry]:
    """A sleep test, an order or the referral: as its versions tell it."""
    told = [_other_told(version, facts) for version, _ in sorted(held, key=lambda pair: pair[0].version)]
    resource = max((v for v, _ in held), key=lambda v: v.version).resource
    on = str(resource.get("effectiveDateTime") or resource.get("authoredOn") or "")
    title = "Sleep test" if resource["resourceType"] == "DiagnosticReport" else _order_title(resource)
    return on[:10], HistoryEntry(title, _day(on), told[-1], tuple(reversed(told[:-1])))


def _order_title(resource: Resource) -> str:
    return "Order" if codings_with(resource.get("code"), "efficacy-test") else "Referral"


def _other_told(version: Version, facts: CaseFacts) -> Told:
    resource = version.resource
    status = str(resource.get("status", ""))
    if resource["resourceType"] == "DiagnosticReport":
        test = next((t for t in facts.sleep_tests if t.source.reference == version.reference), None)
        words = f"{test.purpose.value.capitalize()} test: {test_in_words(test)}" if test else "Sleep test"
    elif _order_title(resource) == "Order":
        words = f"Efficacy test ordered, {status}"
    else:
        words = f"Referral for oral appliance therapy, {status}"
    source = ((version.reference, version.version),)
    return Told(version.at, words, status in ("entered-in-error", "cancelled"), source)


def _day(text: str) -> str:
    try:
        return day(moment_of(text).day)
    except ValueError:
        return "day not told"


def in_words(kind: str, fields: Fields) -> str:
    """What an entry says, in one line."""
    rest = {k: v for k, v in fields.items() if k not in _DAYS}
    lead: list[str] = []
    if kind == "red-flag-closure":
        return _closure(fields)
    if kind == "setting" and {"advance_left_mm", "advance_right_mm"} <= set(rest):
        lead = [sides(Decimal(rest.pop("advance_left_mm")), Decimal(rest.pop("advance_right_mm")))]
    elif kind in ("side-effect", "red-flag", "physician-decision", "visit"):
        name = {"physician-decision": "decision", "visit": "office"}.get(kind, "kind")
        lead = [spoken(str(rest.pop(name, "")))]
    if rest.get("reported_by") == "patient":
        del rest["reported_by"]
    return ", ".join([*lead, *(p for name, value in rest.items() if (p := _said(name, value)))])


def _closure(fields: Fields) -> str:
    """Which red flag was closed, by whom for which office, and what was done."""
    office = CLOSES.get(str(fields.get("office", "")), "an office not told")
    who, done = fields.get("closed_by") or "somebody not named", fields.get("action_taken") or "not told"
    return f"{spoken(str(fields.get('kind', '')))}, closed by {who} for {office}. What was done: {done}"


def _said(name: str, value: Any) -> str:
    label = _NAMES.get(name, "")
    if not label:
        label = spoken(name.removesuffix("_mm").replace("_", "-"))
    if isinstance(value, list):
        return f"{label} {' and '.join(spoken(str(one)) for one in value)}"
    if isinstance(value, bool):
        return label if value else f"no {label}"
    if isinstance(value, int | Decimal):
        return f"{label} {number(value)}{' mm' if name.endswith('_mm') else ''}"
    try:
        return f"{label} {day(moment_of(value).day)}"
    except ValueError:
        return f"{label} {value}"
