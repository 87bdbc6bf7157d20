"""The organisations that are parties to a case, taken from its resources as messages bring them.

The physician's organisation places the referral, the dental office's fulfils it, a laboratory's tests. An organisation that
became a party stays one: what it did is part of the record.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime

from sqlalchemy import Connection

from service.access.grant import Office
from service.errors import Category, Problem, Refused
from service.fhir.audit_commitment import Commitment
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.build import Resource, sid
from service.fhir.dates import instant
from service.fhir.json_text import load
from service.fhir.read_other import is_referral, is_test_order
from service.fhir.reading import reference_of
from service.pipeline.access.sender import Sender
from service.pipeline.commitments import Admitted
from service.pipeline.derived import stored
from service.pipeline.fact_rows import split
from service.pipeline.identify import Identified
from service.store import cases, parties, resources
from service.store.cases import Case
from service.store.ids import new_id

PLACER, FULFILLER, LAB = "placer", "fulfiller", "lab"
_PRACTITIONERS = sid("practitioner") + "/"
NONE_NAMED = ("-", "none")
"""Stands for the parties of a case whose resources name none, so that it is not looked at again. Nobody's organisation."""
_BATCH = 100
Look = Callable[[str], Resource]


def record(connection: Connection, case: Case, items: Sequence[Identified], sender: Sender, opened: bool) -> Admitted:
    """Put the parties that a message adds to its case on record. Refused when its sender names another as itself."""
    telling = [i for i in items if i.written and i.draft.type in ("ServiceRequest", "DiagnosticReport")]
    if not telling and not opened:
        return Admitted()
    look = _looking(connection, {i.reference: i.resource for i in items})
    found = {(o, part) for i in telling for o, part in _named(connection, i.resource, look)}
    if sender.is_limited:
        found |= _own(sender, found, telling, opened)
    return _keep(connection, case, found)


def fill_some(connection: Connection) -> int:
    """Put the parties of some older cases on record; how many cases there were."""
    look = _looking(connection, {})
    numbers = parties.without(connection, _BATCH)
    for number in numbers:
        case = cases.get(connection, number)
        assert case is not None, "its number was just read"
        held = [load(r.body) for r in resources.of_case(connection, number) if r.type == "DiagnosticReport"]
        found = {(o, part) for body in (look(case.referral), *held) for o, part in _named(connection, body, look)}
        _tell_audit(connection, case, _keep(connection, case, found or {NONE_NAMED}))
    return len(numbers)


def _tell_audit(connection: Connection, case: Case, admitted: Admitted) -> None:
    now = instant(datetime.now(UTC))
    commits = Commitment(case.case_number, parties=admitted.parties, sees=admitted.sees)
    done = Interaction("operation", new_id(), "parties put on record", (), (case.patient,), commits=commits)
    resources.append_versions(connection, [stored(audit_event(done, Asker(), now), new_id(), 1, case.case_number, now)])


def _looking(connection: Connection, here: Mapping[str, Resource]) -> Look:
    """Finds a resource by its reference, in a message first; one without content when it is nowhere."""

    def look(reference: str) -> Resource:
        if reference in here:
            return here[reference]
        held = resources.current(connection, *split(reference)) if "/" in reference else None
        return load(held.body) if held and not held.deleted else {}

    return look


def _keep(connection: Connection, case: Case, found: Iterable[tuple[str, str]]) -> Admitted:
    new = sorted(parties.add(connection, case.case_number, found))
    admitted = Admitted(parties=tuple(f"{part} {organisation}" for organisation, part in new))
    for organisation, _ in new:
        admitted += tell(connection, [split(case.patient)], organisation)
    return admitted


def tell(connection: Connection, keys: Sequence[parties.Key], organisation: str, wrote: bool = False) -> Admitted:
    """Let an organisation see resources of no case, as their writer with `wrote`; what is new of it."""
    sees, writes = parties.tell(connection, keys, organisation, wrote)
    said = [tuple(f"{kind}/{name} {organisation}" for kind, name in new) for new in (sees, writes)]
    return Admitted(sees=said[0], wrote=said[1])


def _named(connection: Connection, resource: Resource, look: Look) -> list[tuple[str, str]]:
    """(organisation, part) of the parties a resource names."""
    if is_referral(resource):
        placers = [(_organisation(connection, resource.get("requester"), look), PLACER)]
        return [p for p in placers + [(o, FULFILLER) for o in _performers(connection, resource, look)] if p[0]]
    if is_test_order(resource) or resource.get("resourceType") == "DiagnosticReport":
        return [(o, LAB) for o in _performers(connection, resource, look)]
    return []


def _performers(connection: Connection, resource: Resource, look: Look) -> list[str]:
    found = (_organisation(connection, p, look) for p in resource.get("performer") or [])
    return [organisation for organisation in found if organisation]


def _organisation(connection: Connection, reference: object, look: Look) -> str:
    """The organisation somebody acts for; empty when nothing tells it."""
    address = reference_of(reference) or ""
    if address.startswith("Organization/"):
        return address
    if address.startswith("PractitionerRole/"):
        return reference_of(look(address).get("organization")) or ""
    if not address.startswith("Practitioner/"):
        return ""
    for one in look(address).get("identifier") or []:
        system = str(one.get("system", ""))
        if system.startswith(_PRACTITIONERS):  # a plain referral's physician, numbered by the practice
            key = ("Organization", sid("organization"), system.removeprefix(_PRACTITIONERS))
            known = resources.find_identities(connection, [key]).get(key)
            return f"Organization/{known[0]}" if known else ""
    return ""


def organisation_of(connection: Connection, reference: str) -> str:
    """The organisation that a practitioner or an office of a case acts for, as `Organization/id`; empty when untold."""
    return _organisation(connection, {"reference": reference}, _looking(connection, {}))


def _own(
    sender: Sender, found: set[tuple[str, str]], telling: Sequence[Identified], opened: bool
) -> set[tuple[str, str]]:
    """The sender as a party to the case it opens. Refused when a party of its own kind is another's organisation."""
    offices, own = sender.grant.offices, sender.grant.organisation
    problems: list[Problem] = []
    for item in telling:
        path = item.draft.path or item.draft.type
        as_lab = item.draft.type == "DiagnosticReport" and offices == {Office.SLEEP_LAB}
        if as_lab and any(part == LAB and o != own for o, part in found):
            sentence = "A laboratory reports its own tests; the laboratory named is another organisation."
            problems.append(Problem(Category.FORBIDDEN, sentence, path))
        as_placer = is_referral(item.resource) and offices == {Office.PHYSICIAN}
        if as_placer and any(part == PLACER and o != own for o, part in found):
            sentence = "A physician's office refers for itself; the requester is of another organisation."
            problems.append(Problem(Category.FORBIDDEN, sentence, path))
    if problems:
        raise Refused(problems)
    mine: set[tuple[str, str]] = set()
    if opened and Office.SLEEP_LAB in offices:
        mine.add((own, LAB))
    if opened and Office.PHYSICIAN in offices and not any(part == PLACER for _, part in found):
        mine.add((own, PLACER))
    return mine
