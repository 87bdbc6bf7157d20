"""Commands of the operator, run in this process: a process for each would take most of a test's time."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
from collections.abc import Mapping
from unittest.mock import patch

from service.__main__ import main


def run_command(
    arguments: tuple[object, ...], environment: Mapping[str, str], text: str = ""
) -> subprocess.CompletedProcess[str]:
    """`airway-relay` with these arguments, with the environment of the tests and this one, and this standard input.

    `tests/commands/test_commands.py` runs commands in processes of their own.
    """
    call = list(map(str, arguments))
    out, err = _stream(), _stream()
    entered = io.TextIOWrapper(io.BytesIO(text.encode()), encoding="utf-8")
    with (
        patch.dict(os.environ, environment),
        patch.object(sys, "stdin", entered),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            status = main(call)
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 1
    return subprocess.CompletedProcess(call, status, _text(out), _text(err))


def _stream() -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)


def _text(stream: io.TextIOWrapper) -> str:
    held = stream.buffer
    assert isinstance(held, io.BytesIO)
    return held.getvalue().decode()
