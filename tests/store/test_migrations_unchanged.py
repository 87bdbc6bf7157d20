"""A migration that landed never changes: databases were already brought up by it as it was (common practice, no source)."""

from __future__ import annotations

import os
from hashlib import sha256
from pathlib import Path

ROOT = Path(__file__).parents[2]
VERSIONS = ROOT / "service/store/migrations/versions"
LANDED = Path(__file__).with_name("landed_migrations.txt")
WHAT_TO_DO = (
    "A migration that landed must stay as it is, because databases were brought up by it. Restore the file, and write a "
    "new migration that makes the change."
)


def as_they_are() -> dict[str, str]:
    """SHA-256 by name of file."""
    return {file.name: sha256(file.read_bytes()).hexdigest() for file in sorted(VERSIONS.glob("*.py"))}


def as_they_landed() -> dict[str, str]:
    lines = (line.split("  ") for line in LANDED.read_text(encoding="utf-8").splitlines())
    return {name: digest for digest, name in lines}


def test_no_migration_that_landed_has_changed() -> None:
    files = as_they_are()
    assert {name: files.get(name) for name in as_they_landed()} == as_they_landed(), WHAT_TO_DO


def test_every_migration_is_in_the_list() -> None:
    """AIRWAY_RELAY_WRITE_MIGRATIONS=1 adds a new one; it never replaces a line that is there."""
    if os.environ.get("AIRWAY_RELAY_WRITE_MIGRATIONS"):
        lines = {**as_they_are(), **as_they_landed()}
        LANDED.write_text("".join(f"{digest}  {name}\n" for name, digest in sorted(lines.items())), encoding="utf-8")
    missing = as_they_are().keys() - as_they_landed().keys()
    assert not missing, f"{sorted(missing)}: add them with AIRWAY_RELAY_WRITE_MIGRATIONS=1 when they land"
