"""Clients, used assertions and revoked tokens in both databases."""

from __future__ import annotations

import pytest
from sqlalchemy import Connection

from service.pipeline import Pipeline
from service.store import clients
from service.store.clients import Client, Withdrawn

CLIENT = Client("c-1", "A", "physician", "Organization/1", "system/Task.r", "{}", "", False, "2026", "2026")


@pytest.fixture
def tx_of(pipeline: Pipeline):
    return lambda work: pipeline.database.write(work)


def test_a_client_is_kept_as_it_was_given_and_changed(tx_of) -> None:
    tx_of(lambda tx: clients.add(tx, CLIENT))
    assert tx_of(lambda tx: clients.find(tx, "c-1")) == CLIENT
    assert tx_of(lambda tx: clients.find(tx, "c-2")) is None
    assert tx_of(lambda tx: clients.change(tx, "c-1", "2027", keys="", keys_url="https://k.example"))
    assert not tx_of(lambda tx: clients.change(tx, "c-2", "2027", revoked=True))
    (held,) = tx_of(clients.listed)
    assert (held.keys, held.keys_url, held.added_at, held.changed_at) == ("", "https://k.example", "2026", "2027")


def test_an_assertion_is_used_once_by_each_client(tx_of) -> None:
    assert tx_of(lambda tx: clients.use_assertion(tx, "c-1", "j", 1000.5))
    assert not tx_of(lambda tx: clients.use_assertion(tx, "c-1", "j", 2000))
    assert tx_of(lambda tx: clients.use_assertion(tx, "c-2", "j", 1000))
    assert tx_of(lambda tx: clients.use_assertion(tx, "c-1", "J", 1000))


def test_what_is_withdrawn_is_told_until_it_has_expired(tx_of) -> None:
    assert tx_of(lambda tx: clients.withdrawn(tx, 0)) == Withdrawn()
    tx_of(lambda tx: clients.add(tx, CLIENT))

    def revoke(tx: Connection) -> None:
        for _ in range(2):
            clients.revoke_token(tx, "t-1", 1000)
        clients.revoke_token(tx, "t-2", 2000)
        clients.change(tx, "c-1", "2027", revoked=True)

    tx_of(revoke)
    assert tx_of(lambda tx: clients.withdrawn(tx, 999)) == Withdrawn(frozenset({"t-1", "t-2"}), frozenset({"c-1"}))
    assert tx_of(lambda tx: clients.withdrawn(tx, 1000)) == Withdrawn(frozenset({"t-2"}), frozenset({"c-1"}))


def test_only_what_expired_before_is_forgotten(tx_of) -> None:
    def keep(tx: Connection) -> None:
        for seconds in (1000, 2000):
            clients.use_assertion(tx, "c", str(seconds), seconds)
            clients.revoke_token(tx, str(seconds), seconds)
        clients.prune(tx, 2000)

    tx_of(keep)
    assert tx_of(lambda tx: clients.withdrawn(tx, 0)).tokens == {"2000"}
    assert tx_of(lambda tx: clients.use_assertion(tx, "c", "1000", 1))
    assert not tx_of(lambda tx: clients.use_assertion(tx, "c", "2000", 1))
