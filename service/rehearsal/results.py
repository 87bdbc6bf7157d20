"""What a rehearsal shows: one summary for each set of thresholds, and two sets set against each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from service.rehearsal.shares import Change, Share, Spread, spread
from service.rehearsal.treatment import Ending, SimulatedCase
from service.rules.thresholds import Threshold, Thresholds

CRITERIA = ("AHI under 5", "AHI under 10 and at least halved", "AHI at least halved")


@dataclass(frozen=True, slots=True)
class ByCriterion:
    """One response criterion: by the retest, by the true AHI at its setting, and the weeks that passed at such settings.

    `found` and `truly` are shares of the retests; `waited` is over the retests at which it was truly met.
    """

    name: str
    found: Share
    truly: Share
    truly_but_not_found: Share
    found_but_not_truly: Share
    waited: Spread

    def as_data(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "criterion": self.name,
            "retest_finds_it": self.found.as_data(),
            "truly_so": self.truly.as_data(),
            "truly_so_but_not_found": self.truly_but_not_found.as_data(),
            "found_but_not_truly_so": self.found_but_not_truly.as_data(),
            "weeks_waited_at_such_a_setting": self.waited.as_data(),
        }


@dataclass(frozen=True, slots=True)
class Summary:
    """A cohort under one set of thresholds. `retested_by_week[w]`: retests up to the end of week `w`."""

    name: str
    changed: tuple[str, ...]
    cases: int
    retested: Share
    at_limit: Share
    dropped_out: Share
    still_waiting: Share
    weeks: Spread
    weeks_without_benefit: Spread
    by_criterion: tuple[ByCriterion, ...]
    retested_by_week: tuple[int, ...]

    def as_data(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "name": self.name,
            "changed_thresholds": list(self.changed),
            "cases": self.cases,
            "retested": self.retested.as_data(),
            "at_limit": self.at_limit.as_data(),
            "dropped_out": self.dropped_out.as_data(),
            "still_waiting": self.still_waiting.as_data(),
            "weeks_until_retest": self.weeks.as_data(),
            "weeks_until_retest_without_benefit": self.weeks_without_benefit.as_data(),
            "by_criterion": [item.as_data() for item in self.by_criterion],
            "retested_by_week": list(self.retested_by_week),
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two sets on the same patients. `weeks_later` is B minus A over cases that came up for a retest under both."""

    retested: Change
    found: tuple[Change, ...]
    weeks_later: Spread
    sooner: Share
    later: Share

    def as_data(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "retested": self.retested.as_data(),
            "retest_finds_it": [
                {"criterion": name, **change.as_data()} for name, change in zip(CRITERIA, self.found, strict=True)
            ],
            "weeks_later": self.weeks_later.as_data(),
            "sooner": self.sooner.as_data(),
            "later": self.later.as_data(),
        }


def summarise(name: str, thresholds: Thresholds, cases: Sequence[SimulatedCase], weeks: int) -> Summary:
    """The summary of a cohort followed for at most `weeks` weeks."""
    tested = [c for c in cases if c.ending is Ending.RETEST]
    return Summary(
        name=name,
        changed=changed_thresholds(thresholds),
        cases=len(cases),
        retested=Share(len(tested), len(cases)),
        at_limit=_share(tested, lambda c: c.at_limit),
        dropped_out=_share(cases, lambda c: c.ending is Ending.DROPPED_OUT),
        still_waiting=_share(cases, lambda c: c.ending is Ending.STILL_WAITING),
        weeks=spread([c.weeks for c in tested]),
        weeks_without_benefit=spread([c.weeks for c in tested if not c.can_benefit]),
        by_criterion=tuple(_by_criterion(i, name, tested) for i, name in enumerate(CRITERIA)),
        retested_by_week=tuple(sum(c.weeks <= week for c in tested) for week in range(weeks + 1)),
    )


def compare(under_a: Sequence[SimulatedCase], under_b: Sequence[SimulatedCase]) -> Comparison:
    """Set B against set A, patient by patient."""
    pairs = list(zip(under_a, under_b, strict=True))
    both = [(a, b) for a, b in pairs if a.ending is Ending.RETEST and b.ending is Ending.RETEST]
    later = [b.weeks - a.weeks for a, b in both]
    return Comparison(
        retested=_change(pairs, lambda c: c.ending is Ending.RETEST),
        found=tuple(_change(pairs, _finds(i)) for i in range(len(CRITERIA))),
        weeks_later=spread(later),
        sooner=Share(sum(d < 0 for d in later), len(later)),
        later=Share(sum(d > 0 for d in later), len(later)),
    )


def changed_thresholds(thresholds: Thresholds) -> tuple[str, ...]:
    """Each threshold that differs from the service's own, in words: `stable_days 28 d (default 14)`."""
    return tuple(
        f"{held.name} {held.value}{_unit(held)} (default {own.value})"
        for held, own in zip(thresholds.all(), Thresholds().all(), strict=True)
        if held.value != own.value
    )


def _unit(held: Threshold) -> str:
    """The unit as it stands after a number; UCUM's annotations and bare numbers have none."""
    return "" if held.unit == "1" or held.unit.startswith("{") else f" {held.unit}"


def _by_criterion(i: int, name: str, tested: Sequence[SimulatedCase]) -> ByCriterion:
    return ByCriterion(
        name=name,
        found=_share(tested, lambda c: c.found[i]),
        truly=_share(tested, lambda c: c.truly[i]),
        truly_but_not_found=_share(tested, lambda c: c.truly[i] and not c.found[i]),
        found_but_not_truly=_share(tested, lambda c: c.found[i] and not c.truly[i]),
        waited=spread([c.waited_weeks[i] for c in tested if c.truly[i]]),
    )


def _share(cases: Sequence[SimulatedCase], holds: Callable[[SimulatedCase], bool]) -> Share:
    return Share(sum(holds(c) for c in cases), len(cases))


def _finds(i: int) -> Callable[[SimulatedCase], bool]:
    """Whether a case came up and its retest met criterion `i`: a case that never comes up counts as not found."""
    return lambda case: case.found[i]


def _change(pairs: Sequence[tuple[SimulatedCase, SimulatedCase]], holds: Callable[[SimulatedCase], bool]) -> Change:
    only_a = sum(holds(a) and not holds(b) for a, b in pairs)
    only_b = sum(holds(b) and not holds(a) for a, b in pairs)
    return Change(only_a, only_b, len(pairs))
