"""`airway-relay rehearse`: what a set of thresholds costs, tried on simulated patients."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from service.fhir.json_text import write_pretty
from service.rehearsal import CAUTION
from service.rehearsal.cohort import Plan, rehearse
from service.rehearsal.parameters import Parameters
from service.rehearsal.picture import picture
from service.rehearsal.results import Comparison, Summary, compare, summarise
from service.rehearsal.table import parameter_table, table
from service.rules.thresholds import Thresholds
from service.site_file import read_site

_OWN = "the service's own thresholds"
_PERMITTED = {"cases": (1, 1_000_000), "seed": (0, 2**63), "weeks": (1, 520), "processes": (1, 256)}


def rehearse_policy(options: argparse.Namespace) -> int:
    """Print the result; 0 when there is one, 2 when an option or a file cannot be used."""
    if options.parameters:
        data = {"caution": CAUTION, "parameters": _parameter_data()}
        print(write_pretty(data) if options.json else parameter_table(Parameters()))
        return 0
    for name, (low, high) in _PERMITTED.items():
        value = getattr(options, name)
        if value is not None and not low <= value <= high:
            return _refuse(f"--{name} {value}", f"permitted are {low} to {high}")
    names = [options.thresholds, options.compare] if options.compare else [options.thresholds]
    sets: list[tuple[str, Thresholds]] = []
    for name in names:
        try:
            sets.append(
                (_printable(Path(name).name), read_site(Path(name)).thresholds) if name else (_OWN, Thresholds())
            )
        except OSError as error:
            return _refuse(name, error.strerror or "cannot be read")
        except ValueError as error:
            return _refuse(name, str(error))
    return _show(options, Plan(options.cases, options.seed, options.weeks), sets)


def _show(options: argparse.Namespace, plan: Plan, sets: list[tuple[str, Thresholds]]) -> int:
    cohorts = rehearse(plan, [thresholds for _, thresholds in sets], options.processes)
    summaries = [
        summarise(name, thresholds, cases, plan.weeks) for (name, thresholds), cases in zip(sets, cohorts, strict=True)
    ]
    comparison = compare(*cohorts) if len(cohorts) == 2 else None
    print(write_pretty(_data(plan, summaries, comparison)) if options.json else table(plan, summaries, comparison))
    if options.picture:
        try:
            Path(options.picture).write_text(picture(plan, summaries), encoding="utf-8")
        except OSError as error:
            return _refuse(options.picture, error.strerror or "cannot be written")
    return 0


def _data(plan: Plan, summaries: list[Summary], comparison: Comparison | None) -> dict[str, Any]:
    return {
        "caution": CAUTION,
        "cases": plan.cases,
        "seed": plan.seed,
        "weeks": plan.weeks,
        "sets": [summary.as_data() for summary in summaries],
        "b_against_a": comparison.as_data() if comparison else None,
        "parameters": _parameter_data(),
    }


def _parameter_data() -> list[dict[str, Any]]:
    return [asdict(parameter) for parameter in Parameters().all()]


def _refuse(what: str, why: str) -> int:
    """One plain line on standard error, whatever characters the file holds."""
    print(_printable(" ".join(f"airway-relay: {what}: {why}.".split())), file=sys.stderr)
    return 2


def _printable(words: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in words)
