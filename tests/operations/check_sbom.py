"""Whether the bills of materials in a folder name what the locks hold: `python -m tests.operations.check_sbom FOLDER`.

`service.cdx.json` is what one installation of the service holds, with licences and who needs whom; `locked.cdx.json` is
what the lock for development holds for every system. Both are CycloneDX, https://cyclonedx.org/docs/1.6/json/.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name

from tests.operations.locks import DEVELOPMENT_LOCK, SERVICE_LOCK, Locked, packages_of

# what a new virtual environment brings along by itself, and the service
_NOT_LOCKED = frozenset({"pip", "setuptools", "airway-relay"})


def faults(bill: dict[str, Any], locked: Iterable[Locked]) -> Iterator[str]:
    """Packages that a bill lacks, or names in another version than the lock or without being locked."""
    named = {(canonicalize_name(c["name"]), c["version"]) for c in bill.get("components", [])}
    wanted = {(package.name, package.version) for package in locked}
    yield from (f"{name} {version} is locked and not named" for name, version in sorted(wanted - named))
    for name, version in sorted(named - wanted):
        if name not in _NOT_LOCKED:
            yield f"{name} {version} is named and not locked"


def _main(folder: Path) -> int:
    for_service = [p for p in packages_of(SERVICE_LOCK.read_text()) if p.for_this_system]
    found = 0
    for name, locked in (
        ("service.cdx.json", for_service),
        ("locked.cdx.json", packages_of(DEVELOPMENT_LOCK.read_text())),
    ):
        bill = json.loads((folder / name).read_text())
        for fault in faults(bill, locked):
            found += 1
            print(f"{name}: {fault}")
        print(f"{name}: {len(bill['components'])} packages, {len(locked)} of them locked")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(_main(Path(sys.argv[1])))
