"""Reading input files for commands: one plain line on standard error when they cannot be used."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from service.errors import Refused
from service.fhir.json_text import parse


def read_object(name: str) -> dict[str, Any] | None:
    """The JSON object in a file (`-`: standard input); None, with a line on standard error, when there is none."""
    try:
        text = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
    except OSError as error:
        print(f"{name}: {error.strerror}", file=sys.stderr)
        return None
    try:
        return parse(text, is_bounded=False)  # the operator's own file
    except Refused as refused:
        complain(name, refused)
        return None


def complain(name: str, refused: Refused) -> None:
    """Every problem of an input on a line of its own, with its place."""
    for problem in refused.problems:
        place = f"{name}: {problem.path}: " if problem.path else f"{name}: "
        print(f"{place}{problem.message}", file=sys.stderr)
