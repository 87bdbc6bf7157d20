"""What a clinician reads: whole sentences in plain words, with dates and numbers that cannot be misread."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings

from service.rules.coverage_us import us_coverage_documentation
from service.rules.decision import Party, Readiness, ResponseClass, Status, Step
from service.rules.follow_up import follow_up
from service.rules.kinds import PhysicianChoice, RedFlagKind, ReferralState
from service.rules.readiness import assess_readiness
from service.rules.referral import check_referral
from service.rules.response import assess_response
from service.rules.stage import StageName, stage_of
from service.rules.titration import next_step
from service.rules.words import count, day, listed, number, percent, quarter_hours, rounded, sides, spoken
from tests.short_run import times

from .build import DEFAULTS, projected
from .cases import as_of_days, cases

CODES = {
    code.value
    for codes in (Readiness, Step, ResponseClass, StageName, PhysicianChoice, RedFlagKind, ReferralState)
    for code in codes
    if "-" in code.value
}
WORDS_OF_THE_TRADE = {"check-in", "check-ins", "non-response", "self-report", "over-reads"}
WORDS_OF_THE_TRADE |= {"face-to-face", "non-supine", "follow-up", "effort-related", "back-sleeping"}
HYPHENATED = re.compile(r"[a-z]+(?:-[a-z]+)+")
CITATION = re.compile(r" \([^()]*doi 10\.[^()]*\)")
BAD = re.compile(
    r"None|Decimal\(|<|>|\w+\.[A-Z_]{3,}|_|\d{4}-\d{2}|\s{2}|\.\.|\s[.,;:]|\bE[+-]\d|^\s|\s$|\(\)|; \.|, \."
)
DATE = re.compile(r"\b(\d{1,2}) (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) 2026\b")
LONG_FRACTION = re.compile(r"\d\.\d{3,}")


def sentences(facts, as_of: date) -> list[str]:
    """Every sentence that the rules write about a case on one day."""
    ready = assess_readiness(facts, DEFAULTS, as_of)
    step = next_step(facts, DEFAULTS, ready)
    response = assess_response(facts, DEFAULTS, as_of)
    written = [ready.sentence, *(c.sentence for c in ready.criteria), _line(facts, ready, step, response, as_of)]
    if step:
        written += [step.sentence, *(c.sentence for c in step.criteria)]
    if response:
        written += [response.sentence, *(c.sentence for c in response.criteria), *response.remarks]
        written += [response.disagreement] if response.disagreement else []
        written += [m.sentence for m in response.measures] + [s.sentence for s in response.suggestions]
        written += [*response.certainty.sentences, response.wear, *response.cautions]
    checks = [check_referral(facts, DEFAULTS, as_of), us_coverage_documentation(facts, DEFAULTS, as_of, "US")]
    follow = follow_up(facts, DEFAULTS, as_of)
    if follow:
        checks.append(follow.decision)
        written += [v.sentence for v in follow.visits]
    for check in filter(None, checks):
        written += [check.sentence, *(c.sentence for c in check.criteria)]
    plan = projected(facts, as_of)
    return written + ([plan.sentence, plan.stop_reason] if plan else [])


def _line(facts, ready, step, response, as_of: date) -> str:
    return stage_of(facts, ready, step, response, follow_up(facts, DEFAULTS, as_of), DEFAULTS).why


@pytest.mark.at_length
@settings(max_examples=times(300, 40), deadline=None, suppress_health_check=list(HealthCheck))
@given(cases(), as_of_days())
def test_sentences_are_plain_english(facts, as_of):
    for sentence in sentences(facts, as_of):
        assert sentence[0].isupper() or sentence[0].isdigit(), sentence
        assert sentence.endswith((".", "?")), sentence
        spoken_part = CITATION.sub("", sentence)
        assert not re.search(BAD, spoken_part), sentence
        assert not set(HYPHENATED.findall(spoken_part.lower())) - WORDS_OF_THE_TRADE, sentence
        assert not LONG_FRACTION.search(spoken_part), sentence
        for year in re.finditer(r"\b2026\b", spoken_part):
            assert any(m.end() == year.end() for m in DATE.finditer(spoken_part)), sentence


@pytest.mark.at_length
@settings(max_examples=times(150, 40), deadline=None, suppress_health_check=list(HealthCheck))
@given(cases(), as_of_days())
def test_phrases_for_who_and_what_fit_into_a_sentence(facts, as_of):
    for item in assess_readiness(facts, DEFAULTS, as_of).criteria:
        for phrase in filter(None, (item.needs, item.missing)):
            assert not phrase.endswith(".")
            assert phrase[0].islower() or phrase.startswith("Epworth")
        assert item.title[0].isupper() and "-" not in item.title


def test_the_codes_that_must_not_appear_are_hyphenated():
    assert {"ready-at-limit", "step-back", "locked-jaw", "in-progress"} <= CODES
    assert all(HYPHENATED.fullmatch(code) for code in CODES)


@pytest.mark.parametrize("party", list(Party))
def test_parties_are_words(party):
    assert re.fullmatch(r"[a-z]+( [a-z]+)?", party.value)


@pytest.mark.parametrize("status", list(Status))
def test_statuses_are_words(status):
    assert status.value.isalpha()


NUMBERS = [("2.00", "2"), ("0.70", "0.7"), ("12.50", "12.5"), ("100", "100"), ("1E+2", "100"), ("0", "0"), ("0.0", "0")]


@pytest.mark.parametrize(("value", "text"), NUMBERS)
def test_numbers_without_trailing_zeros_or_exponents(value, text):
    assert number(Decimal(value)) == text


UNDER = [("0.699", "69.9 %"), ("0.6999", "69.99 %"), ("0.70", "70 %"), ("0.7099", "71 %"), ("1", "100 %")]


@pytest.mark.parametrize(("value", "text"), UNDER)
def test_a_share_under_a_threshold_never_looks_met(value, text):
    assert percent(Decimal(value), Decimal("0.7")) == text


@pytest.mark.parametrize(
    ("value", "quarter"), [("3.99", "3.75"), ("4", "4"), ("4.24", "4"), ("4.25", "4.25"), ("0.2", "0")]
)
def test_hours_in_quarters_rounded_down(value, quarter):
    assert quarter_hours(Decimal(value)) == Decimal(quarter)


def test_dates_lists_sides_and_counts():
    assert day(date(2026, 8, 3)) == "3 Aug 2026"
    assert [listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"]), listed([])] == [
        "a",
        "a and b",
        "a, b and c",
        "",
    ]
    assert listed(["a, or b", "c"]) == "a, or b; and c"
    assert listed(["a", "b and c", "d"]) == "a; b and c; and d"
    assert listed(["a", "b or c"], "or") == "a; or b or c"
    assert listed(["salt and pepper"]) == "salt and pepper"
    assert sides(Decimal("2"), Decimal("2.0")) == "2 mm on both sides"
    assert sides(Decimal("2"), Decimal("1.50")) == "2 mm left and 1.5 mm right"
    assert [count(1, "night"), count(2, "night"), count(0, "day")] == ["1 night", "2 nights", "0 days"]
    assert spoken("locked-jaw") == "locked jaw"
    assert rounded(Decimal("43.75"), "0.1") == Decimal("43.8")
