"""Our own validation beside the independent validator's, over everything emitted and every mutant.

The figures are printed with `python -m pytest tests/reference/test_agreement.py -s`; the disagreements are written to
the file that AIRWAY_RELAY_DISAGREEMENTS names.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from service.fhir.build import Resource
from service.fhir.profile_index import profile_of
from service.fhir.validate import issues_of
from tests.reference import emitted
from tests.reference.accepted_anyway import ACCEPTED
from tests.reference.conftest import Checked
from tests.reference.corpus import Mutant, corpus, harmless
from tests.short_run import is_long, times

LEAST_AGREEMENT = 0.99
EMITTED = "emitted"


@dataclass(frozen=True, slots=True)
class Judged:
    """One resource with both verdicts; the errors tell why."""

    id: str
    kind: str
    ours: tuple[str, ...]
    reference: tuple[str, ...]

    @property
    def agreed(self) -> bool:
        return bool(self.ours) == bool(self.reference)

    @property
    def let_through(self) -> bool:
        """Whether the reference refuses what we accept."""
        return bool(self.reference) and not self.ours

    @property
    def same_place(self) -> bool:
        """Whether both refuse it for something at one place, or at an element and the one right above it."""
        ours, reference = ({_place(error) for error in errors} for errors in (self.ours, self.reference))
        return bool(_with_owners(ours) & reference or ours & _with_owners(reference))


def _place(error: str) -> str:
    """The element an error is about, without indices, types and the ids of contained resources."""
    path = error.split(": ")[0]
    return re.sub(r"\[\w+\]|/\*.*?\*/|\.ofType\(\w+\)", "", path)


def _with_owners(places: set[str]) -> set[str]:
    return places | {place.rpartition(".")[0] for place in places}


@pytest.fixture(scope="session")
def judged(checked: Checked) -> list[Judged]:
    asked = [(key, EMITTED, profile_of(resource), resource) for key, resource in checked.resources.items()]
    asked += [(m.id, m.kind, m.judged_by, m.resource) for m in checked.mutants.values()]
    return [Judged(key, kind, _errors(held, url), checked.verdicts[key].errors) for key, kind, url, held in asked]


def _errors(resource: Resource, profile: str | None) -> tuple[str, ...]:
    found = issues_of(resource, profile)
    return tuple(f"{issue.expression}: {issue.message}" for issue in found if issue.severity == "error")


@pytest.mark.at_length
def test_both_agree(judged: list[Judged], capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print(f"\n{table(judged)}")
    if file := os.environ.get("AIRWAY_RELAY_DISAGREEMENTS"):
        Path(file).write_text(disagreements(judged))
    assert sum(j.agreed for j in judged) >= LEAST_AGREEMENT * len(judged), disagreements(judged)[:4000]


@pytest.mark.at_length
def test_all_that_is_emitted_is_accepted_by_both(judged: list[Judged]) -> None:
    assert [j for j in judged if j.kind == EMITTED and (j.ours or j.reference)] == []


@pytest.mark.at_length
def test_nothing_is_let_through_without_a_reason(judged: list[Judged]) -> None:
    through = [j.id for j in judged if j.let_through]
    assert [key for key in through if not any(fnmatchcase(key, pattern) for pattern in ACCEPTED)] == []
    if is_long():
        assert [pattern for pattern in ACCEPTED if not any(fnmatchcase(key, pattern) for key in through)] == []


@pytest.mark.at_length
def test_the_corpus_covers_every_profile_and_is_mostly_wrong(checked: Checked) -> None:
    """Every family has mutants of each profile, but where no right resource has what it changes; most are refused."""
    kinds = Counter(m.kind for m in checked.mutants.values())
    refused = Counter(m.kind for m in checked.mutants.values() if not checked.verdicts[m.id].valid)
    assert len(checked.mutants) >= times(10_000, 1500)
    assert all(refused[kind] > 0.4 * count for kind, count in kinds.items() if kind != harmless.KIND)
    assert refused[harmless.KIND] < 0.1 * kinds[harmless.KIND]


@pytest.mark.long
def test_the_corpus_is_the_same_in_every_run(mutants: dict[str, Mutant], tmp_path: Path) -> None:
    """Played anew, with other ids and case numbers and other times of day."""
    again = {m.id: m for m in corpus(emitted.collect(tmp_path).resources.values())}
    assert list(again) == list(mutants)
    assert [key for key, mutant in again.items() if mutant != mutants[key]] == []


def table(judged: list[Judged]) -> str:
    """Agreement per kind and in all; of what both refuse, how much they refuse for something at the same place."""
    kinds = dict.fromkeys(j.kind for j in judged)
    rows = [_row(kind, [j for j in judged if j.kind == kind]) for kind in kinds]
    head = (
        f"{'kind':27}{'number':>7}{'refused':>9}{'agreed':>9}{'only ours':>11}{'only reference':>16}{'same place':>12}"
    )
    return "\n".join([head, *rows, _row("all", judged)])


def _row(kind: str, held: list[Judged]) -> str:
    agreed = sum(j.agreed for j in held)
    refused = sum(bool(j.reference) for j in held)
    ours, reference = sum(not j.agreed and bool(j.ours) for j in held), sum(j.let_through for j in held)
    both = [j for j in held if j.ours and j.reference]
    same = f"{100 * sum(j.same_place for j in both) / len(both):>11.1f}%" if both else ""
    return f"{kind:27}{len(held):>7}{refused:>9}{100 * agreed / len(held):>8.2f}%{ours:>11}{reference:>16}{same}"


def disagreements(judged: list[Judged]) -> str:
    """Each disagreement with the first messages of both."""
    lines = [
        f"{'WE ACCEPT' if j.let_through else 'WE REFUSE'} | {j.id}\n"
        f"    reference: {list(j.reference[:3])}\n    ours: {list(j.ours[:3])}\n"
        for j in sorted((j for j in judged if not j.agreed), key=lambda j: (not j.let_through, j.kind, j.id))
    ]
    return "".join(lines)
