"""A warning that is repeated is told once a minute with how often it came; what names a request is always told."""

from __future__ import annotations

import logging
from typing import Any

import pytest

from service.web import log_lines
from service.web.log_lines import OURS, Repeats


def _record(event: str, level: int = logging.WARNING, name: str = "asyncio", **told: Any) -> logging.LogRecord:
    record = logging.LogRecord(name, level, __file__, 1, event, None, None)
    record.told = told
    return record


def test_a_repeated_warning_is_told_once_and_then_how_often(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    now_s = 1000.0
    monkeypatch.setattr(log_lines.time, "monotonic", lambda: now_s)
    repeats = Repeats()
    with caplog.at_level(logging.INFO, OURS):
        assert [repeats.filter(_record("socket.accept() out of system resource")) for _ in range(5000)].count(True) == 1
        assert repeats.filter(_record("another"))
        repeats.tell()
        assert not caplog.records
        now_s += 61
        repeats.tell()
        assert [vars(record)["told"] for record in caplog.records] == [{"library": "asyncio", "times": 4999}]
        assert repeats.filter(_record("socket.accept() out of system resource"))


def test_what_names_a_request_or_is_no_warning_is_always_told() -> None:
    repeats = Repeats()
    assert all(repeats.filter(_record("request failed", logging.ERROR, OURS, request_id=str(n))) for n in range(10))
    assert all(repeats.filter(_record("request", logging.INFO, OURS)) for _ in range(10))
