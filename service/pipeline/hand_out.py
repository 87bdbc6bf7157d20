"""Notices become numbered events of the subscriptions that ask for them.

A number is given when a notice is handed out, not when it is decided: decisions of different cases then never wait for
one another. One transaction takes its turn, reads what waits in the outbox, then the subscriptions, and adds the events,
raises the counters and marks the notices; so numbers have no gap, whatever is killed. The subscriptions are read after
the notices, so that one which was there before a decision never misses its notice; a new one takes its turn as well.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from service.fhir.json_text import load
from service.fhir.subscription import MOVERS, WHOSE_MOVE, wanted_of
from service.rows import Notice
from service.rules.decision import Party
from service.store import notices, parties, subscriptions
from service.store.subscriptions import OFF, Subscription

_BATCH = 500


def hand_out(connection: Connection) -> int:
    """Make every waiting notice an event of each subscription that takes it; how many notices there were."""
    notices.take_turn(connection)
    if not subscriptions.lock_all(connection):
        return notices.mark_all_handed_out(connection)
    count = 0
    while found := notices.waiting(connection, _BATCH):
        for subscription in subscriptions.lock_all(connection):
            _number(connection, subscription, found)
        notices.mark_handed_out(connection, found)
        count += len(found)
    return count


def _number(connection: Connection, subscription: Subscription, found: Sequence[Notice]) -> None:
    if subscription.status == OFF:
        return
    wanted = wanted_of(load(subscription.body))
    told = [n for n in found if n.topic == wanted.topic]
    if subscription.organisation:
        own = parties.cases_of(connection, subscription.organisation, {n.case_number for n in told})
        told = [n for n in told if n.case_number in own]
    taken = [notice for notice in told if wanted.takes(_values(notice))]
    if taken:
        first = subscription.last_event + 1
        rows = [(subscription.id, number, notice.id) for number, notice in enumerate(taken, first)]
        notices.add_events(connection, rows)
        subscription.last_event += len(taken)
        subscriptions.raise_last_event(connection, subscription.id, subscription.last_event)


def _values(notice: Notice) -> dict[str, frozenset[str]]:
    """The values of a notice that filters look at, which those of one topic alone have."""
    if notice.topic != WHOSE_MOVE:
        return {}
    return {
        "whose-move": frozenset((MOVERS[Party(notice.whose_move)],)),
        "stage": frozenset((notice.stage,)),
        "owner": frozenset((notice.owner, notice.organization)),
    }
