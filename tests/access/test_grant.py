"""Scopes of SMART App Launch 2.2.0, section «Scopes for requesting FHIR Resources», and what they allow."""

from __future__ import annotations

import pytest

from service.access.grant import OPEN, Grant, parse_scope, scopes_of

VITAL = "http://terminology.hl7.org/CodeSystem/observation-category|vital-signs"
SURVEY = "http://terminology.hl7.org/CodeSystem/observation-category|survey"

UNKNOWN = (
    "",
    "system/Observation",
    "system/Observation.",
    "system/Observation.read",  # the form of version 1
    "system/Observation.*",
    "system/Observation.sr",  # the letters have one order
    "system/Observation.rr",
    "patient/Observation.rs",  # no launch for a patient here
    "system/observation.rs",
    "system/Observation.rs?",
    "system/Observation.rs?category=",
    "system/Observation.rs?category=vital-signs",  # a system is asked for
    "system/Observation.rs?code=http://loinc.org|1234-5",
    f"system/*.rs?category={VITAL}",
    f"system/Observation.rs?category={VITAL}&code=x",
    "system/Observation.rs system/Patient.rs",
    "system/Observation.rs\n",
    "openid",
    "system/Observation.rs?category=" + "a" * 500,
)


@pytest.mark.parametrize("text", UNKNOWN)
def test_a_scope_that_is_not_understood_is_none(text):
    assert parse_scope(text) is None
    with pytest.raises(ValueError, match="is not a scope"):
        scopes_of([text])


def granted(*texts):
    return Grant("c", frozenset(), "Organization/o", scopes_of(texts))


def test_letters_grant_interactions_on_their_type_alone():
    grant = granted("system/Observation.crs", "system/Patient.r")
    assert [letter for letter in "cruds" if grant.allows(letter, "Observation")] == ["c", "r", "s"]
    assert [letter for letter in "cruds" if grant.allows(letter, "Patient")] == ["r"]
    assert not grant.allows("r", "Task")


def test_a_star_is_every_type():
    grant = granted("system/*.rs")
    assert grant.allows("s", "Task") and not grant.allows("u", "Task")
    assert grant.categories("s", "Task") is None


def test_categories_add_up_and_a_scope_without_one_lifts_them():
    one = f"system/Observation.rs?category={VITAL}"
    both = granted(one, f"system/Observation.s?category={SURVEY}")
    assert both.categories("s", "Observation") == {VITAL, SURVEY}
    assert both.categories("r", "Observation") == {VITAL}
    assert granted(one, "system/Observation.s").categories("s", "Observation") is None
    assert granted(f"system/Observation.rs?category={VITAL},{SURVEY}").categories("r", "Observation") == {VITAL, SURVEY}


def test_what_is_not_granted_is_limited_to_nothing():
    assert granted().categories("r", "Patient") == frozenset()
    assert OPEN.allows("d", "Patient") and OPEN.categories("d", "Patient") is None
