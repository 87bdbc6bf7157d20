"""What subscribers prove themselves by to their own receivers: kept sealed, opened only to be sent."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.access.sealing import Seal, is_sealed
from service.fhir.json_text import load, write
from service.fhir.subscription import wanted_of
from service.store import subscriptions
from service.store.engine import Database
from service.store.subscriptions import Subscription

_NONE = "[]"


def sealed_headers(seal: Seal, headers: Sequence[str], subscription_id: str, endpoint: str) -> str:
    """Headers as they are kept: sealed for one subscription and endpoint, so that a row changed by hand sends none."""
    return seal.sealed(write(list(headers)), _about(subscription_id, endpoint)) if headers else _NONE


def headers_of(seal: Seal, held: Subscription, endpoint: str) -> list[str]:
    """The headers of a subscription with their values. NotOpened or KeyFileError when they cannot be had."""
    if not is_sealed(held.headers):
        return load(held.headers)
    return load(seal.opened(held.headers, _about(held.id, endpoint)))


def seal_all(database: Database, seal: Seal) -> int:
    """Seal what an earlier release kept as it was sent; how many subscriptions that were."""
    if not database.read(subscriptions.has_open_headers):
        return 0

    def work(tx: Connection) -> int:
        found = subscriptions.lock_with_open_headers(tx)
        for held in found:
            endpoint = wanted_of(load(held.body)).endpoint
            held.headers = sealed_headers(seal, load(held.headers), held.id, endpoint)
            subscriptions.save(tx, held)
        return len(found)

    count = database.write(work)
    database.wipe_log()
    return count


def _about(subscription_id: str, endpoint: str) -> str:
    return f"{subscription_id}\n{endpoint}"
