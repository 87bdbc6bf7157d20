"""A sleep test without an index that is known here is stored, and its sender is told that it cannot be judged."""

from __future__ import annotations

from collections.abc import Sequence

from service.errors import Category, Problem
from service.intake.identified import Identified
from service.rules.facts import CaseFacts

_SENTENCE = (
    "None of the Observations in DiagnosticReport.result carries an index that is known here (AHI, REI or RDI): "
    "the test cannot be judged."
)


def warnings_of(items: Sequence[Identified], facts: CaseFacts) -> dict[str, tuple[Problem, ...]]:
    """The warning of each report of a message whose test has no index yet, by its reference."""
    without = {test.source.reference for test in facts.sleep_tests if test.index_name is None}
    return {
        i.reference: (Problem(Category.BUSINESS_RULE, _SENTENCE, f"{i.draft.path or i.draft.type}.result"),)
        for i in items
        if i.written and i.reference in without
    }
