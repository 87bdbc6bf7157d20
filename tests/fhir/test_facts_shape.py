"""A field that changed needs another number, so that every release reads anew what another one wrote."""

from __future__ import annotations

import hashlib
from dataclasses import is_dataclass, make_dataclass
from enum import Enum
from typing import Any, get_args, get_type_hints

import msgspec

from service.fhir.facts.fact import Fact
from service.fhir.facts.treatment import CheckInFact
from service.fhir.facts_shape import FACTS_SCHEMA, facts_shape
from service.rules.case_view import CaseView
from service.rules.facts import CaseFacts
from service.rules.kinds import RedFlagKind

DIGESTS = {4: "2f3fceede8a22883"}
"""By number, what everything that facts and the view of a case are made of comes to.

A number that a release bore keeps its digest: raise `FACTS_SCHEMA` and add a line.
"""


def fields_of(*kinds: Any) -> dict[str, list[str]]:
    """The fields with their types, or the values, of each type that facts are made of, by its name."""
    found: dict[str, list[str]] = {}
    for kind in kinds:
        _collect(kind, found)
    return found


def _collect(kind: Any, found: dict[str, list[str]]) -> None:
    for part in get_args(kind):
        _collect(part, found)
    if not isinstance(kind, type) or kind is msgspec.Struct or kind.__qualname__ in found:
        return
    if issubclass(kind, Enum):
        found[kind.__qualname__] = sorted(str(member.value) for member in kind)
    elif issubclass(kind, msgspec.Struct) or is_dataclass(kind) or hasattr(kind, "_fields"):
        tag = [f"kind {kind.__struct_config__.tag}"] if issubclass(kind, msgspec.Struct) else []
        own = [f"{n}: {getattr(t, '__forward_arg__', t)}" for n, t in kind.__annotations__.items()]
        found[kind.__qualname__] = tag + own
        for part in (*kind.__bases__, *get_type_hints(kind).values()):
            _collect(part, found)


def digest_of(*kinds: Any) -> str:
    return hashlib.sha256(repr(sorted(fields_of(*kinds).items())).encode()).hexdigest()[:16]


def test_the_number_was_raised_with_the_fields() -> None:
    digest = digest_of(Fact, CaseFacts, CaseView)
    assert max(DIGESTS) == FACTS_SCHEMA
    assert len(set(DIGESTS.values())) == len(DIGESTS)
    message = f"fields changed: raise FACTS_SCHEMA in facts_shape.py, and record {digest} here"
    assert DIGESTS[FACTS_SCHEMA] == digest, message


def test_case_rows_bear_the_number() -> None:
    assert facts_shape() == str(FACTS_SCHEMA)
    assert len(facts_shape()) <= 32
    assert not facts_shape().startswith(("1-", "2-", "3-")), "numbers that were followed by a digest"


def test_the_digest_holds_the_facts_their_parts_and_their_kinds() -> None:
    found = fields_of(Fact, CaseFacts)
    assert "worn: Worn" in found["SleepTest"]
    assert "kind check-in" in found["CheckInFact"]
    assert "snoring: Decimal | None" in found["CheckInFact"]
    assert RedFlagKind.DROWSY_DRIVING in found["RedFlagKind"]
    assert {"Referral", "Setting", "CheckIn", "Moment", "Source", "TimedFact", "MeasureName"} <= set(found)


def test_the_digest_changes_with_a_field_of_a_fact_and_of_what_is_worked_out() -> None:
    class Other(CheckInFact, frozen=True, kw_only=True, tag="other"):
        mood: int | None = None

    view = make_dataclass("CaseView", [("other", int)])
    digests = {digest_of(Fact, CaseView), digest_of(Fact | Other, CaseView), digest_of(Fact, view)}
    assert len(digests) == 3
