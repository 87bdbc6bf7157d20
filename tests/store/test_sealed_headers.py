"""The secrets by which subscribers know us: sealed in the database, opened only to be sent."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from sqlalchemy import text

from service.access.grant import OPEN
from service.access.private_files import KeyFileError
from service.access.sealing import NotOpened, Seal
from service.fhir.json_text import load, write
from service.fhir.subscription import KEPT
from service.outbound.addresses import Egress
from service.outbound.senders import Sent
from service.pipeline import Pipeline
from service.pipeline.delivery import Deliverer
from service.pipeline.sealed_headers import seal_all
from service.pipeline.subscriptions import Subscriptions
from service.store import subscriptions as rows
from service.store.caller import ALL_SEEING
from tests.outbound.asked import subscription

SECRET = "a-word-only-the-two-systems-know"
EGRESS = Egress("127.0.0.1", on_loopback=True)


class Kept:
    """Keeps what it is given to send."""

    def __init__(self) -> None:
        self.headers: list[tuple[str, str]] = []

    def send(self, url: str, headers: object, body: bytes, seconds: float) -> Sent:
        self.headers = list(headers)  # type: ignore[call-overload]
        return Sent()


def made(pipeline: Pipeline, seal: Seal) -> tuple[Subscriptions, str]:
    """A subscription with a secret."""
    held = Subscriptions(pipeline.database, EGRESS, seal, pipeline.now).of(OPEN)
    body = subscription()
    body["channel"]["header"] = [f"Authorization: Bearer {SECRET}"]
    told = held.create(write(body).encode(), "http://testserver/fhir", "r-1")
    assert told["channel"]["header"] == [f"Authorization: {KEPT}"]
    return held, told["id"]


def sent(pipeline: Pipeline, seal: Seal) -> list[tuple[str, str]]:
    """The headers of the next sending; nothing when none is sent."""
    sender = Kept()
    assert Deliverer(pipeline.database.seen_by(ALL_SEEING), sender, seal).step()
    return sender.headers


def row(pipeline: Pipeline) -> rows.Subscription:
    [held] = pipeline.database.seen_by(ALL_SEEING).write(rows.lock_all)
    return held


def change(pipeline: Pipeline, column: str, value: str) -> None:
    statement = text(f"UPDATE subscription SET {column} = :value")
    pipeline.database.seen_by(ALL_SEEING).write(lambda tx: tx.execute(statement, {"value": value}))


def test_a_secret_is_sealed_sent_and_never_shown(pipeline: Pipeline, tmp_path: Path) -> None:
    seal = Seal(tmp_path / "seal.json")
    assert not (tmp_path / "seal.json").exists()
    held, number = made(pipeline, seal)
    assert stat.S_IMODE((tmp_path / "seal.json").stat().st_mode) == 0o600
    assert SECRET not in str(row(pipeline)) and row(pipeline).headers.startswith("sealed.1.")
    assert SECRET not in write(held.read(number)) + write(held.search({})) + write(held.status(number))
    assert sent(pipeline, seal) == [("Authorization", f"Bearer {SECRET}")]


def test_a_kept_value_stays_when_the_subscription_is_changed(pipeline: Pipeline, tmp_path: Path) -> None:
    seal = Seal(tmp_path / "seal.json")
    held, number = made(pipeline, seal)
    body = {**held.read(number), "reason": "another"}
    body["channel"] = {**body["channel"], "endpoint": "http://127.0.0.1:9001/elsewhere"}
    held.update(number, write(body).encode(), 1, "http://testserver/fhir", "r-2")
    assert sent(pipeline, seal) == [("Authorization", f"Bearer {SECRET}")]


@pytest.mark.parametrize("column", ["headers", "body"])
def test_a_row_changed_by_hand_sends_no_secret(pipeline: Pipeline, tmp_path: Path, column: str) -> None:
    seal = Seal(tmp_path / "seal.json")
    made(pipeline, seal)
    held = row(pipeline)
    moved = held.body.replace("127.0.0.1:9000", "127.0.0.1:9666")
    assert moved != held.body
    change(pipeline, column, moved if column == "body" else seal.sealed(write(["Authorization: x"]), "another"))
    assert sent(pipeline, seal) == []
    assert (row(pipeline).status, "send them again" in row(pipeline).error) == ("error", True)


def test_without_the_key_nothing_is_sent_and_the_values_are_asked_for_again(pipeline: Pipeline, tmp_path: Path) -> None:
    held, number = made(pipeline, Seal(tmp_path / "seal.json"))
    assert sent(pipeline, Seal(tmp_path / "none.json")) == []
    assert row(pipeline).status == "error"
    other = Seal(tmp_path / "other.json")
    again = Subscriptions(pipeline.database, EGRESS, other, pipeline.now).of(OPEN)
    other.sealed("x", "x")
    body = {**held.read(number), "status": "requested"}
    body["channel"] = {**body["channel"], "header": [f"Authorization: Bearer {SECRET}2"]}
    again.update(number, write(body).encode(), row(pipeline).version, "http://testserver/fhir", "r-2")
    assert sent(pipeline, other) == [("Authorization", f"Bearer {SECRET}2")]


def test_an_earlier_releases_secrets_are_sealed_and_leave_no_copy(pipeline: Pipeline, tmp_path: Path) -> None:
    seal = Seal(tmp_path / "seal.json")
    made(pipeline, seal)
    change(pipeline, "headers", write([f"Authorization: Bearer {SECRET}"]))
    assert seal_all(pipeline.database.seen_by(ALL_SEEING), seal) == 1
    assert seal_all(pipeline.database.seen_by(ALL_SEEING), seal) == 0
    assert SECRET not in row(pipeline).headers
    assert sent(pipeline, seal) == [("Authorization", f"Bearer {SECRET}")]
    if pipeline.database.is_sqlite:
        for file in tmp_path.glob("relay.db*"):
            assert SECRET.encode() not in file.read_bytes(), file


def test_the_key_file_must_be_its_owners_alone_and_hold_a_key(tmp_path: Path) -> None:
    path = tmp_path / "seal.json"
    sealed = Seal(path).sealed("x", "a")
    assert Seal(path).opened(sealed, "a") == "x"
    for about, text_ in (("b", sealed), ("a", sealed[:-8] + "AAAAAAA="), ("a", "sealed.1.x")):
        with pytest.raises(NotOpened):
            Seal(path).opened(text_, about)
    assert load(path.read_text())["key"] not in sealed
    path.chmod(0o640)
    with pytest.raises(KeyFileError, match="chmod 600"):
        Seal(path).opened(sealed, "a")
    path.chmod(0o600)
    path.write_text('{"key": "short"}')
    with pytest.raises(KeyFileError, match="not a file with a sealing key"):
        Seal(path).opened(sealed, "a")
