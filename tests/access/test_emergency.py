"""Emergency access: for registered clients, with a reason, in the grant and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.access.emergency import emergency
from service.access.grant import OPEN, Grant, Office
from service.errors import Category, Refused

GRANT = Grant("ward-1", frozenset({Office.PHYSICIAN}), "Organization/ward", ())


def test_a_registered_client_with_a_reason() -> None:
    given = emergency(GRANT, "  found   unconscious ", {"ward-1"})
    assert given.emergency == "found unconscious"
    assert (given.client, given.organisation, given.scopes) == (GRANT.client, GRANT.organisation, GRANT.scopes)
    assert GRANT.emergency == ""


@pytest.mark.parametrize("registered", [set(), {"ward-2"}])
def test_who_is_not_registered_is_refused(registered: set[str]) -> None:
    with pytest.raises(Refused) as told:
        emergency(GRANT, "found unconscious", registered)
    assert told.value.problems[0].category is Category.FORBIDDEN


def test_a_session_of_the_pages_is_no_client() -> None:
    with pytest.raises(Refused):
        emergency(replace(GRANT, client="pages", person="dr-invented"), "found unconscious", {"pages"})


def test_nobody_is_registered_while_access_control_is_off() -> None:
    with pytest.raises(Refused):
        emergency(OPEN, "found unconscious", {""})


@pytest.mark.parametrize("reason", ["", "urgent", "a        b", "x" * 501, "nine char", "found\x00unconscious"])
def test_a_reason_of_ten_characters_is_needed(reason: str) -> None:
    with pytest.raises(Refused) as told:
        emergency(GRANT, reason, {"ward-1"})
    assert told.value.problems[0].category is Category.INVALID
