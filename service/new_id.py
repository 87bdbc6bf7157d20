"""Ids of this moment, for what is not planned: entries of reads, links, clients, subscriptions."""

from __future__ import annotations

import secrets
import time

from service.ids import RANDOM_BITS, id_of


def new_id() -> str:
    """A time-ordered id of this moment."""
    return id_of(time.time_ns() // 1_000_000, secrets.randbits(RANDOM_BITS))
