"""What clients do with Subscriptions: create, read, change, end, and ask where they stand."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Self

from sqlalchemy import Connection

from service.access.grant import Grant
from service.access.sealing import NotOpened, Seal
from service.deciding.versions import as_version
from service.errors import Category, Problem, Refused, refuse
from service.fhir.audit_event import Interaction, audit_event
from service.fhir.build import Resource
from service.fhir.dates import instant, instant_after
from service.fhir.json_text import load, parse, write
from service.fhir.subscription import EMPTY, KEPT, Wanted, header_of, problems_of, wanted_of
from service.new_id import new_id
from service.outbound.addresses import Egress
from service.outbound.notices import QUERY_EVENT, QUERY_STATUS, notification, status_parameters
from service.pipeline.access.asking import asker
from service.pipeline.delivery import events_of, standing
from service.pipeline.hand_out import hand_out
from service.pipeline.sealed_headers import headers_of, sealed_headers
from service.rows import nobodys
from service.store import notices, resources, subscriptions
from service.store.engine import Database
from service.store.subscriptions import ACTIVE, ERROR, OFF, REQUESTED, Subscription

MOST_SUBSCRIPTIONS = 100
MOST_EVENTS = 1000
KEPT_DAYS = 90
"""How long a notice that was sent can be asked for by `$events`."""
_SERVERS_OWN = ("resourceType", "id", "meta", "status", "error")
_LONGEST_BASE = 255


class Subscriptions:
    """The Subscriptions of a database, and the rules on where notices may go."""

    def __init__(
        self,
        database: Database,
        egress: Egress,
        seal: Seal,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._database = database
        self._seal = seal
        self._egress = egress
        self._clock = clock
        self._organisation = ""

    def of(self, grant: Grant) -> Self:
        """The subscriptions of the organisation of a grant; those of others are not there for it."""
        own = copy.copy(self)
        own._organisation = grant.organisation
        return own

    def create(self, text: bytes, base_url: str, request_id: str) -> Resource:
        """Take a new Subscription; its first notice is the handshake. Refused with every problem found."""
        resource, wanted = self._checked(parse(text))

        def work(tx: Connection) -> Resource:
            hand_out(tx)
            if len(subscriptions.listed(tx, self._organisation, MOST_SUBSCRIPTIONS)) >= MOST_SUBSCRIPTIONS:
                raise refuse(Category.BUSINESS_RULE, f"No more than {MOST_SUBSCRIPTIONS} subscriptions are kept.")
            now = instant(self._clock())
            held = Subscription(new_id(), 1, now, "", "", "", "[]", "", 0, organisation=self._organisation)
            self._fill(held, resource, wanted, base_url)
            subscriptions.add(tx, held)
            _keep_audit(tx, "create", held, request_id, now)
            return shown(held)

        return self._database.write(work)

    def update(self, subscription_id: str, text: bytes, version: int, base_url: str, request_id: str) -> Resource:
        """Change a Subscription at a version; a new endpoint, or a return from error or off, needs a handshake."""
        resource, wanted = self._checked(parse(text))
        if resource.get("id") != subscription_id:
            raise refuse(Category.INVALID, f"The id must be «{subscription_id}», as in the address.", "Subscription.id")

        def work(tx: Connection) -> Resource:
            hand_out(tx)
            held = self._there(subscriptions.lock(tx, subscription_id), subscription_id)
            if held.version != version:
                sentence = f"Subscription/{subscription_id} is at version {held.version} by now, not {version}."
                raise refuse(Category.STALE, sentence)
            held.version += 1
            held.last_updated = instant_after(self._clock(), held.last_updated)
            self._fill(held, resource, wanted, base_url)
            subscriptions.save(tx, held)
            _keep_audit(tx, "update", held, request_id, held.last_updated)
            return shown(held)

        return self._database.write(work)

    def delete(self, subscription_id: str, request_id: str) -> None:
        """End a Subscription for good; its events and secrets are forgotten. A repeat does nothing."""

        def work(tx: Connection) -> None:
            held = subscriptions.lock(tx, subscription_id)
            if held is None or held.deleted or held.organisation != self._organisation:
                return
            held.version += 1
            held.deleted, held.status, held.body, held.headers = True, OFF, "{}", "[]"
            held.last_updated = instant_after(self._clock(), held.last_updated)
            notices.drop_events(tx, subscription_id)
            subscriptions.save(tx, held)
            _keep_audit(tx, "delete", held, request_id, held.last_updated)

        self._database.write(work)

    def read(self, subscription_id: str) -> Resource:
        """A Subscription as it stands. 404 when it is not here, also once it is deleted."""
        held = self._database.read(lambda tx: subscriptions.get(tx, subscription_id))
        return shown(self._there(held, subscription_id))

    def search(self, wanted: Mapping[str, str]) -> list[Resource]:
        """Subscriptions by `_id`, `status`, `url` (the endpoint) and `criteria` (the topic), all of which must hold."""
        found = [shown(held) for held in self._all()]
        readers: dict[str, Callable[[Resource], str]] = {
            "_id": lambda r: r["id"],
            "status": lambda r: r["status"],
            "url": lambda r: r["channel"]["endpoint"],
            "criteria": lambda r: r["criteria"],
        }
        return [r for r in found if all(readers[name](r) in text.split(",") for name, text in wanted.items())]

    def statuses(self, ids: list[str], states: list[str]) -> list[Resource]:
        """`$status` of some Subscriptions, or of all, as Parameters."""
        self._catch_up()
        chosen = [h for h in self._all() if (not ids or h.id in ids) and (not states or h.status in states)]
        return [status_parameters(standing(h, wanted_of(load(h.body))), QUERY_STATUS) | {"id": h.id} for h in chosen]

    def status(self, subscription_id: str) -> Resource:
        """`$status` of one Subscription. 404 when it is not here."""
        found = self.statuses([subscription_id], [])
        if not found:
            raise _not_here(subscription_id)
        return found[0]

    def events(self, subscription_id: str, first: int, last: int | None, content: str | None) -> Resource:
        """`$events`: past events by number, both inclusive, at most 1000 at once, whether or not they were sent."""

        def work(tx: Connection) -> Resource:
            held = self._there(subscriptions.get(tx, subscription_id), subscription_id)
            wanted = wanted_of(load(held.body))
            told = standing(held, wanted)
            if content == EMPTY:
                told = replace(told, content=EMPTY)
            until = held.last_event if last is None else last
            rows = notices.events(tx, held.id, first, until, MOST_EVENTS)
            return notification(told, QUERY_EVENT, list(events_of(rows)), instant(self._clock()))

        self._catch_up()
        return self._database.read(work)

    def end_unowned(self) -> None:
        """Turn off what was subscribed without access control, before anybody is asked who they are."""

        def work(tx: Connection) -> None:
            for held in subscriptions.lock_all(tx):
                if not held.organisation and held.status != OFF:
                    held.status, held.error = OFF, "Made while access control was off; subscribe anew."
                    subscriptions.save(tx, held)

        self._database.write(work)

    def forget_old(self) -> None:
        """Drop notices older than `KEPT_DAYS` that every subscription has been sent, with their events."""
        before = instant(self._clock() - timedelta(days=KEPT_DAYS))
        while self._database.write(lambda tx: notices.forget(tx, before, MOST_EVENTS)):
            pass

    def _kept(self, held: Subscription, endpoint: str) -> list[str]:
        """The headers with their values; none when they cannot be opened any more, so that they are asked for again."""
        try:
            return headers_of(self._seal, held, endpoint)
        except NotOpened:
            return []

    def _there(self, held: Subscription | None, subscription_id: str) -> Subscription:
        if held is None or held.deleted or held.organisation != self._organisation:
            raise _not_here(subscription_id)
        return held

    def _catch_up(self) -> None:
        """Count what waits, so that no answer depends on a deliverer being there."""
        if self._database.read(notices.is_any_waiting):
            self._database.write(hand_out)

    def _all(self) -> list[Subscription]:
        return self._database.read(lambda tx: subscriptions.listed(tx, self._organisation, MOST_SUBSCRIPTIONS))

    def _checked(self, resource: Resource) -> tuple[Resource, Wanted]:
        problems = problems_of(resource)
        if problems:
            raise Refused(problems)
        wanted = wanted_of(resource)
        refusal = self._egress.why_not(wanted.endpoint)
        if refusal:
            problems.append(Problem(Category.BUSINESS_RULE, refusal, "Subscription.channel.endpoint"))
        if wanted.ends_at and wanted.ends_at <= self._clock() and wanted.status != OFF:
            problems.append(Problem(Category.BUSINESS_RULE, "The end has passed already.", "Subscription.end"))
        if problems:
            raise Refused(problems)
        return resource, wanted

    def _fill(self, held: Subscription, resource: Resource, wanted: Wanted, base_url: str) -> None:
        """Put what a client asks for into a row, and the status that follows from it."""
        if len(base_url) > _LONGEST_BASE:
            raise refuse(Category.INVALID, "The address by which the service was called is too long.")
        before = wanted_of(load(held.body)) if held.body else None
        kept = self._kept(held, before.endpoint if before else "")
        headers = _with_kept_values(wanted.headers, kept)
        same_door = before is not None and before.endpoint == wanted.endpoint and headers == kept
        held.status = _next_status(held.status, wanted.status, same_door)
        if held.status != ERROR:
            held.error, held.failures, held.next_try_at_s = "", 0, 0
        held.body, held.base_url = write(_without_secrets(resource)), base_url
        held.headers = sealed_headers(self._seal, headers, held.id, wanted.endpoint)
        held.timeout_s = wanted.timeout_s
        held.heartbeat_at_s = held.heartbeat_at_s if wanted.heartbeat_s else None
        if wanted.heartbeat_s and (before is None or before.heartbeat_s != wanted.heartbeat_s):
            held.heartbeat_at_s = 0 if held.status == ACTIVE else None
        held.ends_at_s = wanted.ends_at.timestamp() if wanted.ends_at else None


def shown(held: Subscription) -> Resource:
    """A Subscription as clients see it: without the values of its headers."""
    body: dict[str, Any] = load(held.body)
    rest = {k: v for k, v in body.items() if k not in _SERVERS_OWN}
    meta = {**body.get("meta", {}), "versionId": str(held.version), "lastUpdated": held.last_updated}
    told: Resource = {"resourceType": "Subscription", "id": held.id, "meta": meta, "status": held.status, **rest}
    return told | ({"error": held.error} if held.error else {})


def _next_status(was: str, asked: str, same_door: bool) -> str:
    """The client turns a subscription off, or asks for a handshake; error is left by asking anew."""
    if asked == OFF:
        return OFF
    if was == ERROR and asked == ERROR:
        return ERROR
    return ACTIVE if was == ACTIVE and asked == ACTIVE and same_door else REQUESTED


def _without_secrets(resource: Resource) -> Resource:
    channel = dict(resource["channel"])
    if "header" in channel:
        channel["header"] = [f"{text.partition(':')[0]}: {KEPT}" for text in channel["header"]]
    return {**resource, "channel": channel}


def _with_kept_values(asked: tuple[str, ...], kept: list[str]) -> list[str]:
    """The headers with their values; one that was read back as kept has the value it had."""
    found: list[str] = []
    for index, text in enumerate(asked):
        pair = header_of(text)
        name, value = pair if pair else ("", "")
        if value == KEPT:
            old = next((k for k in kept if k.partition(":")[0].lower() == name.lower()), None)
            if old is None:
                sentence = f"No value of {name} is kept that could stand here."
                raise refuse(Category.INVALID, sentence, f"Subscription.channel.header[{index}]")
            text = old
        found.append(text)
    return found


def _not_here(subscription_id: str) -> Refused:
    return refuse(Category.NOT_FOUND, f"Subscription/{subscription_id[:64]} is not here.")


def _keep_audit(tx: Connection, interaction: str, held: Subscription, request_id: str, now: str) -> None:
    touched = [f"Subscription/{held.id}/_history/{held.version}"]
    done, event = Interaction(interaction, request_id, "subscription", touched), new_id()
    audit = audit_event(done, replace(asker(), called="a subscriber"), now)
    resources.append_versions(tx, [as_version(audit, event, 1, nobodys(event), now)])
