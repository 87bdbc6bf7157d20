"""The file of a SQLite database and what stands beside it: readable by its owner alone (common practice, no source)."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

_BESIDE = ("", "-wal", "-shm", "-journal")


def make_private(path: Path) -> None:
    """Make an empty file for a new database, and the folders above it, for their owner alone.

    SQLite gives the files it makes beside a database the mode of the database.
    """
    for folder in reversed([f for f in path.parents if not f.exists()]):
        folder.mkdir(mode=0o700, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))


def take_from_others(path: Path) -> None:
    """Let nobody else read a database that an earlier release made for everybody. Leaves what belongs to others."""
    for ending in _BESIDE:
        with contextlib.suppress(FileNotFoundError, PermissionError):
            path.with_name(path.name + ending).chmod(0o600)
