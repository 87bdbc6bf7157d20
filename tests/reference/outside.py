"""Both validators over examples that this project did not make: those published with R4 itself.

`python -m tests.reference.outside` fetches the package hl7.fhir.r4.examples (CC0) from the npm registry, judges each
example of a type the service holds against base R4, and wrong copies of one example of each type, and prints where the
two agree. Nothing of it is kept in this repository; where it cannot be fetched, that is said and nothing is judged.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections import Counter
from pathlib import Path

from service.fhir.build import Resource
from service.fhir.json_text import load, write
from service.fhir.validate import TYPES, issues_of
from tests.reference import reference
from tests.reference.corpus import (
    codes,
    dates,
    emptiness,
    harmless,
    invariants,
    narrative,
    primitives,
    quantities,
    references,
    repeats,
    required,
    types,
    unknown,
)
from tests.reference.corpus.case import Case
from tests.reference.reference import Line, NotHere, Verdict

PACKAGE = "hl7.fhir.r4.examples@4.0.1"
_TYPES = (*TYPES, "Encounter")
_FAMILIES = (
    *(required, repeats, types, codes, quantities, references, invariants),
    *(dates, emptiness, unknown, primitives, narrative, harmless),
)
_LONGEST = 20_000
_SECONDS = 300
_KEPT = Path(__file__).parent / "build" / "examples"


def examples() -> dict[str, Resource]:
    """Every example of our types, by its file name. Raises NotHere when the package cannot be fetched."""
    archive = next(_KEPT.glob("*.tgz"), None) or _fetch()
    found: dict[str, Resource] = {}
    with tarfile.open(archive) as package:
        for member in package:
            kind = Path(member.name).name.partition("-")[0]
            stream = package.extractfile(member) if kind in _TYPES and member.name.endswith(".json") else None
            if stream:
                found[Path(member.name).stem] = load(stream.read().decode())
    return dict(sorted(found.items()))


def _fetch() -> Path:
    if shutil.which("npm") is None:
        raise NotHere("npm, to fetch the examples")
    _KEPT.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(["npm", "pack", PACKAGE], cwd=_KEPT, capture_output=True, text=True, timeout=_SECONDS)
    archive = next(_KEPT.glob("*.tgz"), None)
    if done.returncode or archive is None:
        raise NotHere(f"the examples {PACKAGE}, which could not be fetched")
    return archive


def wrong_copies(held: dict[str, Resource]) -> dict[str, Resource]:
    """One example of each type, the longest that is not too long, changed by each family that needs no profile."""
    chosen: dict[str, str] = {}
    for key, resource in sorted(held.items(), key=lambda item: len(write(item[1]))):
        if len(write(resource)) < _LONGEST:
            chosen[resource["resourceType"]] = key
    found: dict[str, Resource] = {}
    for kind, key in chosen.items():
        case = Case(key, "", kind, {"differential": {"element": []}}, (held[key],), held[key])
        for family in _FAMILIES:
            found |= {f"{family.KIND}: {key} {what}": copied for what, copied in family.made(case)}
    return found


def main() -> int:
    """Judge and print; 0 also when the examples or the reference are not at hand."""
    lacking = reference.missing_tool()
    try:
        if lacking:
            raise NotHere(lacking)
        held = examples()
        copies = wrong_copies(held)
        lines = [Line(key, None, resource) for key, resource in {**held, **copies}.items()]
        with tempfile.TemporaryDirectory() as folder:
            verdicts = reference.verdicts(lines, Path(folder))
    except NotHere as needed:
        print(f"not judged: this needs {needed}")
        return 0
    print(_compared("wrong copies of them", copies, verdicts))
    print(_compared(PACKAGE, held, verdicts))
    return 0


def _compared(name: str, held: dict[str, Resource], verdicts: dict[str, Verdict]) -> str:
    """The disagreements, the figures by type, and those in all."""
    agreed: Counter[str] = Counter()
    lines: list[str] = []
    for key, resource in held.items():
        ours, reference_errors = _base_errors(resource), verdicts[key].errors
        agreed[_kind(key)] += bool(ours) == bool(reference_errors)
        if bool(ours) != bool(reference_errors):
            lines.append(f"{'only we refuse' if ours else 'only the reference refuses'}: {key}")
            lines += [f"    {line[:200]}" for line in (ours or reference_errors)[:2]]
    counts = Counter(map(_kind, held))
    lines += [f"{kind:24}{agreed[kind]:>5} of {counts[kind]:>5}" for kind in _TYPES]
    refused = sum(bool(verdicts[key].errors) for key in held)
    share = 100 * agreed.total() / len(held)
    lines.append(f"{name}: {len(held)}, of which the reference refuses {refused}; both agree on {share:.2f} %")
    return "\n".join(lines)


def _kind(key: str) -> str:
    """The type an example is of, by its file name, which the ids of its copies contain."""
    return key.rpartition(": ")[2].partition("-")[0]


def _base_errors(resource: Resource) -> tuple[str, ...]:
    """Our errors by base R4 alone: what one of our profiles asks for besides is left out."""
    found = [i for i in issues_of(resource) if i.severity == "error" and not i.asked_by]
    return tuple(f"{issue.expression}: {issue.message}" for issue in found)


if __name__ == "__main__":
    sys.exit(main())
