"""Whom a resource names as a party to its case, and which registered organisation that stands for.

What an entry of the directory says of itself is the claim of whoever wrote it. It counts for its writer's own messages
alone, and only as far as one of its numbers is bound by the operator.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.deciding.snapshot import Snapshot
from service.fhir.build import Resource, sid
from service.fhir.json_text import load
from service.fhir.read_other import is_referral, is_test_order
from service.fhir.reading import reference_of
from service.rows import DIRECTORY, FULFILLER, LAB, PLACER, Number, split

_PRACTITIONERS = sid("practitioner") + "/"


@dataclass(frozen=True, slots=True)
class Standing:
    """What a reference stands for: an organisation (`Organization/id`), empty when nothing is bound or bindings differ.

    `numbers` are those it was looked for by; `is_undecided` when they are bound to more than one organisation.
    """

    organisation: str = ""
    numbers: tuple[Number, ...] = ()
    is_undecided: bool = False


@dataclass(frozen=True, slots=True)
class NamedParty:
    """A party as a resource names it: its part, by which element and reference, and what that stands for.

    `path` is where a problem with it is told.
    """

    part: str
    element: str
    path: str
    reference: str
    standing: Standing


class Resolver:
    """Resolves references for one sender (`Organization/id`, empty for nobody in particular).

    `here` are the resources that the sender's message brings, which are the sender's own.
    """

    def __init__(self, snapshot: Snapshot, sender: str, here: Mapping[str, Resource]) -> None:
        self._snapshot = snapshot
        self._sender = sender
        self._here = here

    def of(self, element: object) -> Standing:
        """What a Reference stands for: by its address, else by the identifier in it."""
        address = reference_of(element)
        if address:
            return self._of_address(address.split("/_history/")[0])
        held = element.get("identifier") if isinstance(element, dict) else None
        return self._of_numbers([("Organization", *pair) for pair in _pairs([held])])

    def _of_address(self, address: str) -> Standing:
        kind = address.partition("/")[0]
        if kind not in DIRECTORY:
            return Standing()
        if kind == "Organization" and self._snapshot.registered([address]):
            return Standing(address)
        entry = self._entry(address)
        if kind == "PractitionerRole":
            return self.of(entry.get("organization"))
        numbers: list[Number] = []
        for system, value in _pairs(entry.get("identifier")):
            numbers.append((kind, system, value))
            if kind == "Practitioner" and system.startswith(_PRACTITIONERS):
                # a plain message numbers its physician by the number of the practice
                numbers.append(("Organization", sid("organization"), system.removeprefix(_PRACTITIONERS)))
        return self._of_numbers(numbers)

    def _of_numbers(self, numbers: list[Number]) -> Standing:
        bound = {self._snapshot.bound_to(number, self._sender) for number in numbers} - {""}
        return Standing(bound.pop() if len(bound) == 1 else "", tuple(numbers), len(bound) > 1)

    def _entry(self, address: str) -> Resource:
        """An entry of the directory whose word counts for this sender; one without content when there is none."""
        if address in self._here:
            return self._here[address]
        key = split(address)
        writers = {organisation for organisation, wrote in self._snapshot.readers([key])[key].items() if wrote}
        if writers and writers != {self._sender}:
            return {}
        stored = self._snapshot.current(address)
        return load(stored.body) if stored and not stored.deleted else {}


def office_named(snapshot: Snapshot, reference: str) -> str:
    """The organisation (`Organization/id`) behind a practitioner or an office that a case names; empty when untold.

    For its contact data, never for what it may.
    """
    if reference.startswith("Organization/"):
        return reference
    stored = snapshot.current(reference)
    entry = load(stored.body) if stored and not stored.deleted else {}
    if reference.startswith("PractitionerRole/"):
        return reference_of(entry.get("organization")) or ""
    for system, _ in _pairs(entry.get("identifier")):
        if system.startswith(_PRACTITIONERS):
            key = ("Organization", sid("organization"), system.removeprefix(_PRACTITIONERS))
            known = snapshot.identities([key]).get(key)
            return f"Organization/{known[0]}" if known else ""
    return ""


_PLAIN_FIELDS = {PLACER: "physician.practice", FULFILLER: "dental_office", LAB: "laboratory"}
"""Where a plain message names each party."""


def named_in(resource: Resource, resolver: Resolver, path: str) -> list[NamedParty]:
    """The parties that a referral, an order of a test or a report names; a referral always has a placer and a fulfiller.

    `path` is that of the resource in its message; a plain message has fields instead of resources.
    """
    if is_referral(resource):
        placer = _named(PLACER, path, "requester", resource.get("requester"), resolver)
        return [placer, *_performers(FULFILLER, path, resource, resolver, at_least_one=True)]
    if is_test_order(resource) or resource.get("resourceType") == "DiagnosticReport":
        return _performers(LAB, path, resource, resolver, at_least_one=False)
    return []


def _performers(part: str, path: str, resource: Resource, resolver: Resolver, at_least_one: bool) -> list[NamedParty]:
    held = resource.get("performer") or ([None] if at_least_one else [])
    return [_named(part, path, f"performer[{place}]", one, resolver) for place, one in enumerate(held)]


def _named(part: str, path: str, name: str, held: object, resolver: Resolver) -> NamedParty:
    is_plain = not path[:1].isupper()
    where = _PLAIN_FIELDS[part] if is_plain else f"{path}.{name}"
    return NamedParty(part, name.partition("[")[0], where, reference_of(held) or "", resolver.of(held))


def _pairs(identifiers: object) -> list[tuple[str, str]]:
    """(system, value) of the identifiers that tell both and are not old ones."""
    found: list[tuple[str, str]] = []
    for one in identifiers if isinstance(identifiers, list) else []:
        if isinstance(one, dict) and one.get("system") and one.get("value") and one.get("use") != "old":
            found.append((str(one["system"]), str(one["value"])))
    return found
