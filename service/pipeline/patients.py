"""What a patient's record means for the patient's cases: one that is out of use opens none, and closes those there are.

https://hl7.org/fhir/R4/patient.html, the modifiers `active`, `deceased[x]` and `link`; the table `modifier_rows.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import Connection

from service.errors import Category, Problem, Refused
from service.fhir.build import Resource
from service.fhir.counted import closing_record
from service.fhir.dates import instant_after
from service.fhir.facts.fact import Fact
from service.fhir.json_text import load
from service.fhir.modifiers import ModifierEffect, standing_of
from service.pipeline.facts_anew import closing_in
from service.pipeline.identify import Identified
from service.store import cases, query, resources, search
from service.store.cases import Case
from service.store.resources import Stored

_OPENS_NOTHING = {
    "deceased": "The patient's record says that the patient has died: it opens no case.",
    "active": "The record is not in use: it opens no case.",
    "link": "Another record has replaced the patient's: refer the patient by that one.",
}
_FIELDS = {"subject": "patient", "performer": "dental_office"}
"""Fields of a plain referral by the elements of the order made from it."""
_NOT_UNDERSTOOD = "The record holds an element that may change its meaning and is not known here: it opens no case."
_NOT_ACTIVE = "A referral that arrives «{}» opens no case, and none is here that could hold it."


def check_opening(connection: Connection, case: Case, items: Sequence[Identified], order: Identified) -> None:
    """Refused unless the order is active, and the records of its patient and of the office addressed are in use.

    Whoever changes the patient's record meanwhile waits, or is waited for.
    """
    search.take_turn(connection, case.patient)
    problems: list[Problem] = []
    status = str(order.resource.get("status"))
    if status != "active":
        problems.append(Problem(Category.BUSINESS_RULE, _NOT_ACTIVE.format(status), f"{_path(order)}.status"))
    for reference, element in ((case.patient, "subject"), (case.dental_office or "", "performer")):
        # what a message tells of a record on file, and does not change, is not what the record says
        item = next((i for i in items if i.reference == reference and i.written), None)
        where = f"{order.draft.path}.{element}" if order.draft.path else _FIELDS[element]
        problems.extend(_against(item, _body(connection, item, reference), where))
    if problems:
        raise Refused(problems)


def _path(item: Identified) -> str:
    return item.draft.path or item.draft.type


def _body(connection: Connection, item: Identified | None, reference: str) -> Resource | None:
    if item is not None:
        return item.resource
    kind, slash, name = reference.partition("/")
    held = resources.current(connection, kind, name) if slash and kind in ("Patient", "Organization") else None
    return load(held.body) if held and not held.deleted else None


def _against(item: Identified | None, body: Resource | None, where: str) -> list[Problem]:
    """Why a record opens no case, at the record itself when the message holds it, else at the order that names it."""
    standing = standing_of(body) if body else None
    if standing is None or standing.effect not in (ModifierEffect.CLOSES, ModifierEffect.REFUSED):
        return []
    if standing.effect is ModifierEffect.REFUSED:
        return [Problem(Category.BUSINESS_RULE, _NOT_UNDERSTOOD, where)]
    path = f"{_path(item)}.{standing.element}" if item else where
    return [Problem(Category.BUSINESS_RULE, _OPENS_NOTHING[standing.element], path)]


def read_from(rows: Sequence[Stored], case: Case) -> dict[str, Fact | None]:
    """What a message tells of the patient of its case, by reference; empty when it does not write the record."""
    return {f"{row.type}/{row.id}": closing_in(row) for row in rows if f"{row.type}/{row.id}" == case.patient}


def others_changed(
    connection: Connection, items: Sequence[Identified], case: Case | None, now: str
) -> tuple[list[tuple[str, str]], str]:
    """(case, patient) of the cases, but `case`, of each patient whose record now closes them, or closes them no more.

    Beside it the instant of the message, `now` or the first one after the last decision of those cases: a replay tells by it
    which decisions knew the record.
    """
    changed = [i.reference for i in items if i.draft.type == "Patient" and i.what == "updated" and _differs(i)]
    for reference in changed:
        search.take_turn(connection, reference)
    with query.as_the_service(connection):
        found = [
            (number, reference)
            for reference in changed
            for number in cases.of_patient(connection, [reference])
            if case is None or number != case.case_number
        ]
        for number, _ in found:
            held = cases.lock(connection, number)
            now = instant_after(datetime.fromisoformat(now), held.changed_at if held else "")
    return found, now


def _differs(item: Identified) -> bool:
    before = closing_record(load(item.held.body), date.min) if item.held and not item.held.deleted else None
    return before != closing_record(item.resource, date.min)
