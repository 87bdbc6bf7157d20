"""Wrong resources made from right ones, and some that were changed and stay right: what two validators are asked.

A file per family of change; each knows nothing of any validator. Everything here is the same in every run.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.fhir.build import Resource
from tests.reference.corpus import (
    codes,
    dates,
    emptiness,
    harmless,
    invariants,
    lines,
    narrative,
    other_profile,
    primitives,
    quantities,
    references,
    repeats,
    required,
    slices,
    types,
    unknown,
)
from tests.reference.corpus.case import Mutant, cases

_FAMILIES = (
    lines,
    required,
    repeats,
    types,
    codes,
    quantities,
    references,
    slices,
    invariants,
    dates,
    emptiness,
    unknown,
    other_profile,
    primitives,
    narrative,
    harmless,
)


def corpus(resources: Iterable[Resource]) -> list[Mutant]:
    """Every mutant of every profile, in the same order every time; no two have one id, none equals its original."""
    found: dict[str, Mutant] = {}
    for case in cases(resources):
        for family in _FAMILIES:
            for what, resource, *other in family.made(case):
                mutant = Mutant(family.KIND, case.id, what, resource, other[0] if other else case.url)
                if mutant.id in found:
                    raise ValueError(f"two mutants are called {mutant.id}")
                found[mutant.id] = mutant
    return list(found.values())
