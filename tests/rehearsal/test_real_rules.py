"""The simulation decides nothing itself: the rules of the service are asked and obeyed."""

from datetime import date

import pytest

from service.rehearsal import treatment
from service.rehearsal.parameters import Parameters
from service.rehearsal.treatment import Ending, rehearse_case
from service.rules.course import Course
from service.rules.decision import Decision, Readiness, Step
from service.rules.facts import CaseFacts
from service.rules.readiness import assess_readiness
from service.rules.thresholds import Thresholds
from service.rules.titration import next_step


@pytest.mark.parametrize("number", range(25))
def test_a_case_is_tested_when_the_rules_say_so_and_not_before(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Readiness] = []

    def spied(facts: CaseFacts, thresholds: Thresholds, as_of: date, course: Course) -> Decision:
        decision = assess_readiness(facts, thresholds, as_of, course)
        asked.append(Readiness(decision.outcome))
        return decision

    monkeypatch.setattr(treatment, "assess_readiness", spied)
    case = rehearse_case(5, number, Thresholds(), Parameters(), 40)
    ready = {Readiness.READY, Readiness.READY_AT_LIMIT, Readiness.ASK_PHYSICIAN}
    assert not ready & set(asked[:-1])
    assert (asked[-1] in ready) == (case.ending is Ending.RETEST)
    assert case.at_limit == (asked[-1] in ready - {Readiness.READY})


def test_every_step_of_the_rules_is_met_somewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """The cohort walks through all that titration can answer, so no branch is silently left out."""
    answers: set[str] = set()

    def spied(facts: CaseFacts, thresholds: Thresholds, readiness: Decision, course: Course) -> Decision | None:
        decision = next_step(facts, thresholds, readiness, course)
        assert decision
        answers.add(decision.outcome)
        return decision

    monkeypatch.setattr(treatment, "next_step", spied)
    more_flags = Parameters().with_values({"red_flag_chance": 0.05})
    for number in range(80):
        rehearse_case(1, number, Thresholds(), more_flags, 40)
    assert answers == set(Step)


def test_settings_stay_on_the_appliance_and_inside_the_limits() -> None:
    parameters = Parameters()
    for number in range(80):
        case = rehearse_case(2, number, Thresholds(), parameters, 40)
        assert 0 <= case.advance_mm <= parameters.appliance_limit_mm.value
        assert float(case.advance_mm) % parameters.appliance_step_mm.value == 0
