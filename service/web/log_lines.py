"""Log lines as JSON, one object a line, that cannot hold what a message held.

Our own lines have a fixed text as `event` and fields that are listed where they are written. Of an exception the type and
the places in the code are told, never its text. Of libraries, only what the web server says of itself is told in words.
"""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Any

OURS = "airway_relay"
_SERVER = "uvicorn.error"
_PLACES = 5


class JsonLines(logging.Formatter):
    """One JSON object per record."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of a record."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        line: dict[str, Any] = {"time": at, "level": record.levelname.lower()}
        if record.name in (OURS, _SERVER):
            line["event"] = record.getMessage().splitlines()[0].strip()
            line |= getattr(record, "told", {})
        else:
            line |= {"event": "a library logged", "library": record.name}
        if record.exc_info and record.exc_info[0] is not None:
            line |= {"error": record.exc_info[0].__name__, "at": _places(record.exc_info[2])}
        return json.dumps(line)


def log_as_json() -> None:
    """Log to standard error as JSON lines: ours from INFO, those of libraries from WARNING."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    for name in (OURS, _SERVER):
        logging.getLogger(name).setLevel(logging.INFO)


def _places(traceback: Any) -> list[str]:
    """The last places in the code of a traceback, innermost last."""
    found: list[str] = []
    while traceback is not None:
        code = traceback.tb_frame.f_code
        found.append(f"{code.co_filename.rsplit('/', 1)[-1]}:{traceback.tb_lineno}")
        traceback = traceback.tb_next
    return found[-_PLACES:]
