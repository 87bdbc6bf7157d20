"""No case waits for ever (policy): every state that can be reached has a party with an act and a day on which it escalates."""

from __future__ import annotations

import pytest

from service.rules.stage import StageName
from tests.rules.walk import Key, Walk, first_overdue, party_acts, walk
from tests.short_run import times

pytestmark = pytest.mark.xdist_group("state walk")  # one walk for all of them
_MOST = times(200, 100)
_DONE = (StageName.CLOSED.value, StageName.FOLLOW_UP.value)


@pytest.fixture(scope="module")
def walked() -> Walk:
    found = walk(_MOST)
    print(f"\n{len(found.places)} states walked, {sum(len(e) for e in found.edges.values())} acts")
    return found


def _open_states(walked: Walk) -> list[Key]:
    return [key for key in walked.edges if key[0] not in _DONE]


@pytest.mark.at_length
def test_the_walk_reaches_every_stage(walked: Walk) -> None:
    """It would show little if it never left the beginning; an ended referral and a referral on hold are stages too."""
    assert {key[0] for key in walked.places} == {stage.value for stage in StageName}


@pytest.mark.at_length
def test_no_state_lasts_without_an_overdue_day(walked: Walk) -> None:
    """From each state, if nobody does anything, a day comes on which the case is overdue for somebody."""
    waiting = [key for key in walked.places if key[0] != StageName.CLOSED.value]
    forgotten = [key for key in waiting if first_overdue(walked.places[key]) is None]
    assert not forgotten


@pytest.mark.at_length
def test_whoever_has_the_move_has_an_act(walked: Walk) -> None:
    """The party named as the one to move can do something that changes the state."""
    stuck = [key for key in _open_states(walked) if not party_acts(walked, key)]
    assert not stuck


@pytest.mark.at_length
def test_each_state_can_end(walked: Walk) -> None:
    """From each state some sequence of acts, short of giving up, ends in follow-up."""
    assert not _without_end(walked, _GIVING_UP)


_GIVING_UP = ("stops", "declines")


def _without_end(walked: Walk, leaving_out: tuple[str, ...]) -> list[Key]:
    """Open states from which no acts lead to follow-up; those the walk did not step on from are left out."""
    ending = {key for key in walked.places if key[0] == StageName.FOLLOW_UP.value}
    backwards: dict[Key, set[Key]] = {}
    for start, edges in walked.edges.items():
        for name, there in edges.items():
            if not name.endswith(leaving_out):
                backwards.setdefault(there, set()).add(start)
    reached, frontier = set(ending), list(ending)
    while frontier:
        for before in backwards.get(frontier.pop(), ()):
            if before not in reached:
                reached.add(before)
                frontier.append(before)
    return [key for key in _open_states(walked) if key not in reached]


@pytest.mark.long
def test_without_an_act_some_state_has_no_end() -> None:
    """The proof can fail: where the physician orders no test and decides nothing, no case ends."""
    walked = walk(80, without=frozenset({"orders the test", "combines", "combines, with who and when", "continues"}))
    assert _without_end(walked, _GIVING_UP)


@pytest.mark.long
def test_without_its_closing_a_red_flag_holds_its_party(walked: Walk) -> None:
    """The proof can fail: a dentist who cannot close a red flag has no act while one is open."""
    less = walk(60, without=frozenset({"closes a red flag", "treats the side effect", "sets back", "holds"}))
    stuck = [key for key in _open_states(less) if key[0] == StageName.UNDER_REVIEW.value and not party_acts(less, key)]
    assert stuck
