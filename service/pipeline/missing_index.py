"""A sleep test without an index that is known here is stored, and its sender is told that it cannot be judged."""

from __future__ import annotations

from collections.abc import Sequence

from service.errors import Category, Problem
from service.pipeline.identify import Identified
from service.rules.facts import CaseFacts

_SENTENCE = (
    "None of the Observations in DiagnosticReport.result carries an index that is known here (AHI, REI or RDI): "
    "the test cannot be judged."
)


def warn(items: Sequence[Identified], facts: CaseFacts) -> None:
    """Add the warning to each report of a message whose test has no index yet."""
    without = {test.source.reference for test in facts.sleep_tests if test.index_name is None}
    for item in items:
        if item.written and item.reference in without:
            problem = Problem(Category.BUSINESS_RULE, _SENTENCE, f"{item.draft.path or item.draft.type}.result")
            item.draft.warnings = (*item.draft.warnings, problem)
