"""Files of secrets, readable by their owner alone: written whole or not at all, refused when others can read them."""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path

_LONGEST = 1_000_000


class KeyFileError(ValueError):
    """A key file that cannot be used, in one plain line."""


def written_aside(path: Path, text: str) -> Path:
    """The text in a file of its own beside the path, on disk, readable by its owner alone. OSError when it cannot be."""
    aside = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    with open(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    return aside


def put_if_missing(path: Path, text: str) -> bool:
    """Make a file unless there is one; whether it was made. Two processes at once make one."""
    if path.exists():
        return False
    try:
        made = written_aside(path, text)
        try:
            os.link(made, path)
        except FileExistsError:
            return False
        finally:
            made.unlink()
    except OSError as error:
        raise KeyFileError(f"{path}: {error.strerror}") from None
    return True


def read_own(path: Path) -> bytes:
    """What a file of secrets holds. KeyFileError when it cannot be read, or others than its owner can."""
    try:
        with path.open("rb") as file:
            if stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077:
                raise KeyFileError(f"{path}: others than its owner can read or write this key file; chmod 600 it.")
            return file.read(_LONGEST)
    except OSError as error:
        raise KeyFileError(f"{path}: {error.strerror}") from None
