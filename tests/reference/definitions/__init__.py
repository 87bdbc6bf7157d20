"""The published StructureDefinitions and ValueSets, written once here so that they stay alike.

What is published are the JSON files in `profiles/`; `tests/test_profiles.py` keeps them equal to this folder.
"""

from __future__ import annotations

from tests.reference.definitions import decisions, measures, parties, records, referral, treatment, value_sets
from tests.reference.definitions.shape import Profile, Resource

PROFILES: tuple[Profile, ...] = (
    *parties.PROFILES,
    *referral.PROFILES,
    *measures.PROFILES,
    *treatment.PROFILES,
    *decisions.PROFILES,
    *records.PROFILES,
)


def published() -> dict[str, Resource]:
    """Every definition made here, by file name."""
    made = [profile.definition() for profile in PROFILES] + [s.definition() for s in value_sets.VALUE_SETS]
    return {f"{resource['resourceType']}-{resource['id']}.json": resource for resource in made}
