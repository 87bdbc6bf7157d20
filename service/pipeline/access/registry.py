"""The registry of clients: who may ask, for whom they work, what they may do, by which keys they prove themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sqlalchemy import Connection

from service.access.grant import Office
from service.access.keys import public_keys
from service.access.scopes import system_scopes, text_of
from service.errors import Category, Problem, Refused, refuse
from service.fhir.dates import instant
from service.fhir.json_text import parse, write
from service.new_id import new_id
from service.pipeline.access.directory import Directory
from service.pipeline.pipeline import Pipeline
from service.store import clients
from service.store.clients import Client
from service.store.engine import Database


class Registry:
    """The clients of a database."""

    def __init__(self, pipeline: Pipeline, why_not: Callable[[str], str]) -> None:
        """`why_not`: why no keys are fetched from a URL, empty when they are."""
        self._pipeline = pipeline
        self._why_not = why_not

    @property
    def _database(self) -> Database:
        return self._pipeline.database

    def add(
        self,
        name: str,
        offices: Sequence[Office],
        organisation_id: str,
        organisation_name: str,
        scopes: Sequence[str],
        keys: bytes = b"",
        keys_url: str = "",
        client_id: str = "",
    ) -> Client:
        """Register a client of an organisation, which is found by its number or registered. Refused with every problem.

        `client_id` is that of another authorisation server, which then knows the client's keys.
        """
        problems = [*_problems_of_scopes(scopes), *self._problems_of_keys(keys, keys_url)]
        if not 0 < len(name.strip()) <= 200:
            problems.append(Problem(Category.INVALID, "A name of 1 to 200 letters is needed.", "name"))
        if len(client_id) > 255 or not client_id.isprintable():
            problems.append(Problem(Category.INVALID, "An id has at most 255 letters.", "id"))
        if problems:
            raise Refused(problems)
        now = instant(self._pipeline.now())
        client = Client(
            id=client_id or new_id(),
            name=name.strip(),
            offices=" ".join(sorted(set(offices))),
            organisation=Directory(self._pipeline).known_as(organisation_id, organisation_name),
            scopes=" ".join(dict.fromkeys(text_of(scope) for scope in system_scopes(scopes))),
            keys=_kept(keys),
            keys_url=keys_url,
            revoked=False,
            added_at=now,
            changed_at=now,
        )

        def work(tx: Connection) -> None:
            if clients.find(tx, client.id):
                raise refuse(Category.CONFLICT, f"There is a client {client.id} already.", "id")
            clients.add(tx, client)

        self._database.write(work)
        return client

    def listed(self) -> list[Client]:
        """Every client."""
        return self._database.read(clients.listed)

    def client(self, client_id: str) -> Client:
        """One client. Refused when there is none."""
        found = self._database.read(lambda tx: clients.find(tx, client_id))
        if found is None:
            raise refuse(Category.NOT_FOUND, f"There is no client {client_id}.")
        return found

    def revoke(self, client_id: str) -> None:
        """Take a client's access away, its tokens included, for good."""
        self._change(client_id, revoked=True)

    def replace_keys(self, client_id: str, keys: bytes = b"", keys_url: str = "") -> Client:
        """Give a client other keys. Those it had before prove nothing from then on."""
        problems = self._problems_of_keys(keys, keys_url)
        if problems:
            raise Refused(problems)
        self._change(client_id, keys=_kept(keys), keys_url=keys_url)
        return self.client(client_id)

    def _change(self, client_id: str, **changes: object) -> None:
        now = instant(self._pipeline.now())
        if not self._database.write(lambda tx: clients.change(tx, client_id, now, **changes)):
            raise refuse(Category.NOT_FOUND, f"There is no client {client_id}.")

    def _problems_of_keys(self, keys: bytes, keys_url: str) -> list[Problem]:
        if keys_url:
            reason = self._why_not(keys_url) or ("It is longer than 1000 letters." if len(keys_url) > 1000 else "")
            return [Problem(Category.INVALID, reason, "jwks-url")] if reason else []
        try:
            if keys:
                public_keys(keys)
        except Refused as refused:
            return list(refused.problems)
        return []


def _problems_of_scopes(scopes: Sequence[str]) -> list[Problem]:
    faults = [
        f"«{text[:80]}» is not a scope of a backend service, such as system/Observation.rs."
        for text in scopes
        if not system_scopes([text])
    ]
    return [Problem(Category.INVALID, fault, "scope") for fault in faults]


def _kept(keys: bytes) -> str:
    """A key set as it is kept."""
    return write(parse(keys)) if keys else ""
