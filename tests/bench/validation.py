"""How long validation and starting take on this machine: `python -m tests.bench.validation`.

Prints milliseconds and ratios, and asserts nothing. Validation runs on one core and is warm when it is timed; «high»
is the 95th percentile of its rounds, and the longest of the few starts. The transaction is what one titration message
becomes: settings, check-ins with the Observations taken from them, side effects and a sleep test, as the service
itself emits them.
"""

from __future__ import annotations

import importlib
import os
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from statistics import median, quantiles

from service.fhir.build import Resource
from service.fhir.json_text import load, write
from service.fhir.profile_index import profile_of
from service.fhir.validate import issues_of
from tests.bench.start import start_of_python, start_of_the_command, start_of_the_service, took_ms
from tests.reference import emitted

ROUNDS, WARM_ROUNDS, STARTS = 200, 20, 7
ENTRIES = {
    "protrusion-setting": 3,
    "check-in": 4,
    "snoring": 4,
    "restedness": 4,
    "wear": 4,
    "epworth-total": 1,
    "witnessed-pauses": 1,
    "side-effect": 2,
    "sleep-test": 1,
    "sleep-test-index": 1,
    "sleep-test-odi": 1,
    "sleep-test-measure": 4,
}
"""Entries of the transaction by profile: thirty in all."""


def transaction() -> list[Resource]:
    """The thirty entries, each of another resource."""
    with tempfile.TemporaryDirectory() as folder:
        held = emitted.collect(Path(folder)).resources
    by_profile: dict[str, list[Resource]] = defaultdict(list)
    for resource in held.values():
        by_profile[(profile_of(resource) or "").rpartition("/")[2]].append(resource)
    return [load(write(resource)) for name, count in ENTRIES.items() for resource in by_profile[name][:count]]


def milliseconds(*works: Callable[[], object], rounds: int = ROUNDS) -> list[list[float]]:
    """What each round of each work took; the works take turns, so that a busy machine slows all of them alike."""
    for work in works:
        for _ in range(min(WARM_ROUNDS, rounds)):
            work()
    turns = [[took_ms(work) for work in works] for _ in range(rounds)]
    return [list(taken) for taken in zip(*turns, strict=True)]


def _row(name: str, taken: list[float], beside: list[float] | None = None) -> str:
    high = quantiles(taken, n=20)[-1] if len(taken) >= 20 else max(taken)
    ratio = f"{median(taken) / median(beside):>9.2f}" if beside else ""
    return f"{name:52}{median(taken):>9.2f}{high:>9.2f}{ratio}"


def main() -> None:
    """Measure and print."""
    entries = transaction()
    asked = [(resource, profile_of(resource)) for resource in entries]
    wrong = [issue for held, url in asked for issue in issues_of(held, url) if issue.severity == "error"]
    if len(entries) != 30 or wrong:
        raise SystemExit(f"not thirty right entries: {len(entries)}, {wrong[:3]}")
    models = [
        (getattr(importlib.import_module(f"fhir.resources.R4B.{r['resourceType'].lower()}"), r["resourceType"]), r)
        for r in entries
    ]
    text = write({"resourceType": "Bundle", "entry": [{"resource": r} for r in entries]})
    print(
        f"Python {sys.version.split()[0]}, one core, {ROUNDS} rounds; {len(text) / 1024:.0f} KiB of JSON in 30 entries"
    )
    print(f"{'milliseconds':52}{'median':>9}{'high':>9}{'ratio':>9}")
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(cores)})
    typed, ours, reading = milliseconds(
        lambda: [model.model_validate(held) for model, held in models],
        lambda: [issues_of(held, url) for held, url in asked],
        lambda: load(text),
    )
    print(_row("typed models of fhir.resources alone, 30 entries", typed, typed))
    print(_row("R4 and the profiles by issues_of, 30 entries", ours, typed))
    print(_row("reading the JSON of all 30", reading, typed))
    os.sched_setaffinity(0, cores)
    python, command = milliseconds(start_of_python, start_of_the_command, rounds=STARTS)
    print(_row("start of Python alone", python, python))
    print(_row("command line: airway-relay --version", command, python))
    service = [start_of_the_service() for _ in range(STARTS)]
    print(_row("service: process start to first /fhir/metadata", service, python))


if __name__ == "__main__":
    main()
