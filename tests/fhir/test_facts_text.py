"""Facts as JSON text: every kind comes back as it was, decimals to the digit, and other kinds are not guessed."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any, get_args, get_type_hints

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import Fact, StoredFact, kind_of
from service.fhir.facts.referral import TaskFact
from service.fhir.facts.text import fact_text, facts_from
from service.fhir.facts.treatment import SettingFact
from service.fhir.facts.words import FactKind
from service.rules.kinds import ReferralState
from service.rules.source import Source

KINDS: tuple[type[Any], ...] = get_args(Fact)
DECIMALS = st.decimals(allow_nan=False, allow_infinity=False, places=None)
st.register_type_strategy(Decimal, DECIMALS)


def _values(kind: Any) -> st.SearchStrategy[Any]:
    """Facts of a type with every field filled from what its annotation permits."""
    hints = {name: hint for name, hint in get_type_hints(kind).items() if name in kind.__struct_fields__}
    return st.builds(kind, **{name: st.from_type(hint) for name, hint in hints.items()})


FACTS = st.one_of(*map(_values, KINDS))


@given(st.lists(FACTS, max_size=5))
def test_every_fact_comes_back_as_it_was(facts: list[Fact]) -> None:
    again = facts_from(map(fact_text, facts))
    assert again == facts
    assert [repr(fact) for fact in again] == [repr(fact) for fact in facts], "== does not see the digits of a decimal"
    assert list(map(fact_text, again)) == list(map(fact_text, facts))


def test_every_kind_has_its_own_type() -> None:
    assert sorted(kind.__struct_config__.tag for kind in KINDS) == sorted(FactKind)
    assert all(kind.__struct_config__.frozen for kind in KINDS)


@pytest.mark.parametrize("digits", ["12.50", "0.10", "100", "-0.0", "1E+2", "0.123456789012345678901"])
def test_a_decimal_keeps_its_digits(digits: str) -> None:
    fact = SettingFact(day=date(2026, 9, 1), left_mm=Decimal(digits), right_mm=Decimal(1))
    assert f'"left_mm":{digits},"right_mm":1' in fact_text(fact)
    (again,) = facts_from([fact_text(fact)])
    assert isinstance(again, SettingFact)
    assert (str(again.left_mm), str(again.right_mm)) == (digits, "1")
    setting = assemble([StoredFact(Source("Observation/1", 1), again)]).settings[0]
    assert str(setting.left_mm) == digits


def test_the_kind_stands_first_and_what_was_not_reported_is_left_out() -> None:
    moves = ((date(2026, 9, 1), ReferralState.ACCEPTED),)
    text = fact_text(TaskFact(state=ReferralState.ACCEPTED, stored=date(2026, 9, 2), moves=moves))
    assert text == '{"kind":"task","state":"accepted","stored":"2026-09-02","moves":[["2026-09-01","accepted"]]}'


@pytest.mark.parametrize(
    "text",
    [
        '{"kind":"of no release"}',
        '{"day":"2026-09-01"}',
        '{"kind":"setting","day":"2026-09-01","left_mm":null,"right_mm":1}',
        '{"kind":"setting","day":"yesterday","left_mm":1,"right_mm":1}',
        '{"kind":"red-flag","day":"2026-09-01","red_flag":"bad-mood"}',
        '{"kind":"measure","index_name":"AHI","index_per_hour":4,"hypopnoea_rule":"4%"}',
    ],
)
def test_a_text_that_no_type_of_this_release_wrote_is_an_error(text: str) -> None:
    """The last is a measure as an earlier release wrote it."""
    with pytest.raises(msgspec.ValidationError):
        facts_from([text])


def test_a_fact_cannot_be_changed() -> None:
    (fact,) = facts_from(['{"kind":"test-order","day":"2026-09-01"}'])
    assert kind_of(fact) is FactKind.TEST_ORDER
    with pytest.raises(AttributeError):
        fact.day = date(2026, 9, 2)  # type: ignore[misc, union-attr]
