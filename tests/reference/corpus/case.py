"""What a family of mutations gets to work on: a profile, and right resources of it that are alike in every run."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

from service.fhir.build import Resource
from service.fhir.json_text import load, write
from service.fhir.profile_index import profile_of
from tests.reference.corpus.places import places
from tests.reference.definitions import PROFILES

SEED = 20_261_125
_ENOUGH = 40
"""How many right resources of a profile are kept, the longest first."""
_CHANCE = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|AR-[0-9A-Z]{5}-[0-9A-Z]{5}|\b[0-9a-f]{64}\b"
)
"""Ids, case numbers and hashes, which are others in every run of the service."""


@dataclass(frozen=True, slots=True)
class Case:
    """One profile with right resources of it, the longest first; `fullest` is the one with the most places."""

    id: str
    url: str
    kind: str
    definition: Resource
    right: tuple[Resource, ...]
    fullest: Resource

    def random(self, family: str) -> Random:
        """Chance that is the same in every run, its own for each family and profile."""
        return Random(f"{SEED} {family} {self.id}")


@dataclass(frozen=True, slots=True)
class Mutant:
    """A changed resource: its family, the profile it was made for and is judged by, and what was changed."""

    kind: str
    profile: str
    what: str
    resource: Resource
    judged_by: str

    @property
    def id(self) -> str:
        """A name that stays the same from run to run."""
        return f"{self.kind}: {self.profile} {self.what}"


def cases(resources: Iterable[Resource]) -> list[Case]:
    """A case for each published profile, from right resources of all kinds."""
    right: dict[str | None, set[str]] = defaultdict(set)
    for resource in resources:
        right[profile_of(resource)].add(same_every_run(resource))
    return [
        _case(
            profile.definition(),
            [load(text) for text in sorted(right[profile.url], key=lambda text: (-len(text), text))[:_ENOUGH]],
        )
        for profile in PROFILES
    ]


def _case(definition: Resource, right: list[Resource]) -> Case:
    if not right:
        raise ValueError(f"no right resource of {definition['id']}")
    fullest = max(right, key=lambda r: (len(places(r)), -len(write(r))))
    return Case(definition["id"], definition["url"], definition["type"], definition, tuple(right), fullest)


def same_every_run(resource: Resource) -> str:
    """A resource as text, with made-up names for what is given out by chance: the first id is 1, and so on."""
    names: dict[str, str] = {}

    def name(found: re.Match[str]) -> str:
        text = found[0]
        number = len(names) + 1
        if text not in names:
            short = f"{number:012d}"
            names[text] = (
                f"AR-{number:05d}-AAAAA"
                if text.startswith("AR-")
                else f"00000000-0000-4000-8000-{short}"
                if len(text) == 36
                else f"{number:064x}"
            )
        return names[text]

    return _CHANCE.sub(name, write(resource))
