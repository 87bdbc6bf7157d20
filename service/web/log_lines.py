"""Log lines as JSON, one object a line, that cannot hold what a message held.

Our own lines have a fixed text as `event` and fields that are listed where they are written. Of an exception the type and
the places in the code are told, never its text. Of libraries, only what the web server says of itself is told in words.
"""

from __future__ import annotations

import json
import logging
import sys
import threading
import time
from datetime import UTC, datetime
from typing import Any

OURS = "airway_relay"
_SERVER = "uvicorn.error"
_PLACES = 5
_REPEATED_S = 60.0
_MOST_KEPT = 200


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


class Repeats(logging.Filter):
    """Lets a warning or an error through once a minute and counts it in between, so that nobody can fill the log.

    What names a request is always told: whoever is given its number asks for it.
    """

    def __init__(self) -> None:
        super().__init__()
        self._seen: dict[tuple[str, ...], tuple[float, int]] = {}
        self._lock = threading.Lock()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a record is told now."""
        told: dict[str, Any] = getattr(record, "told", {})
        if record.levelno < logging.WARNING or "request_id" in told:
            return True
        error = record.exc_info[0].__name__ if record.exc_info and record.exc_info[0] else str(told.get("error", ""))
        key, now_s = (record.name, str(record.msg)[:40], error), time.monotonic()
        with self._lock:
            if key in self._seen:
                began_s, number = self._seen[key]
                self._seen[key] = (began_s, number + 1)
                return False
            if len(self._seen) < _MOST_KEPT:
                self._seen[key] = (now_s, 0)
        return True

    def tell(self) -> None:
        """Tell how often each was repeated in its minute, and begin anew with it."""
        now_s = time.monotonic()
        with self._lock:
            over = {key: number for key, (began_s, number) in self._seen.items() if now_s - began_s >= _REPEATED_S}
            for key in over:
                del self._seen[key]
        for (name, event, error), number in over.items():
            if number:
                told = {"library": name, "times": number} | ({"error": error} if error else {})
                told |= {"of": event.splitlines()[0]} if name in (OURS, _SERVER) and event.strip() else {}
                logging.getLogger(OURS).info("a warning was repeated", extra={"told": told})


_REPEATS = Repeats()


def tell_repeats() -> None:
    """Tell what was repeated in the last minute; whoever serves calls it now and then."""
    _REPEATS.tell()


def log_as_json() -> None:
    """Log to standard error as JSON lines: ours from INFO, those of libraries from WARNING."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    handler.addFilter(_REPEATS)
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
