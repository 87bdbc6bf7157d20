"""The judged test against its second, independent derivation: ten thousand random pairs near every boundary.

Class, "at least", causes, findings and the consistency of both tests must agree. The second derivation
(`second_judgement.py`) was written from the clinical rules' words alone and shares only types with the service.
"""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from random import Random

import pytest

from service.rules.judging.consistency import consistency
from service.rules.judging.finding import Finding
from service.rules.judging.judgement import Judgement, judge
from service.rules.judging.validity import OfficeRecord
from service.rules.sleep_test import SleepTest
from tests.rules import second_judgement as second
from tests.rules.build import DEFAULTS
from tests.rules.random_tests import random_pair
from tests.short_run import times

PAIRS, SEED = times(10_000, 2_000), 20261001
_DAY = timedelta(days=1)

_COUNTS = {
    "count-nearly-fits": "note",
    "count-differs": "question",
    "which-hours": "question",
    "per-recording": "question",
    "inconsistent": "inconsistent",
}
_FINDINGS = {
    "central-on-treatment": "central",
    "central-caution": "central-caution",
    "worse-oximetry": "worse-oximetry",
    "worse-desaturation-index": "odi-worse",
    "worse-on-treatment": "index-worse",
}


def _counted(test: SleepTest | None) -> str:
    """How the index fits its count, in the second derivation's words."""
    if test is None:
        return "fits"
    return next((_COUNTS[f.name] for f in consistency(test, DEFAULTS) if f.name in _COUNTS), "fits")


def _named(finding: Finding) -> str | None:
    """A finding of what the index hides, in the second derivation's words; None of any other."""
    if finding.name == "oxygen-not-controlled":
        return "oxygen-today" if finding.days == 0 else "oxygen-7-days"
    return _FINDINGS.get(finding.name)


def _first(judged: Judgement) -> second.Judged:
    """The service's judgement in the second derivation's form."""
    names = (_named(f) for f in judged.findings)
    return second.Judged(
        response=judged.response_class.value,
        at_least=judged.at_least,
        causes=tuple(c.value for c in judged.causes),
        findings=frozenset(name for name in names if name),
        consistency=_counted(judged.test),
        baseline_consistency=_counted(judged.baseline),
    )


@pytest.mark.at_length
def test_both_derivations_agree_on_random_pairs() -> None:
    random = Random(SEED)
    seen: Counter[str] = Counter()
    differing: list[tuple[int, second.Judged, second.Judged, SleepTest, SleepTest | None]] = []
    for number in range(PAIRS):
        test, baseline = random_pair(random)
        delivered = random.choice(
            (*(test.day - timedelta(days=60),) * 8, test.day, test.day + _DAY, test.day - _DAY, None)
        )
        one = _first(judge(test, baseline, OfficeRecord(None, delivered), DEFAULTS))
        other = second.judge(test, baseline, dentist_setting=None, delivered=delivered)
        seen[one.response] += 1
        if one != other:
            differing.append((number, one, other, test, baseline))
    told = "\n\n".join("\n".join(map(str, item)) for item in differing[:5])
    assert not differing, f"{len(differing)} pairs are judged differently, such as\n{told}"
    assert all(seen[c] > PAIRS // 20 for c in ("complete", "partial", "non-response", "withheld")), seen
