"""The registry of people who may sign in for the pages: as whom they are known, and for which office they work."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence

from sqlalchemy import Connection

from service.access.grant import Grant, Office, scopes_of
from service.errors import Category, Problem, Refused, refuse
from service.fhir.dates import instant
from service.new_id import new_id
from service.pipeline.access.directory import Directory
from service.pipeline.pipeline import Pipeline
from service.store import people
from service.store.caller import ALL_SEEING
from service.store.people import Person

CLIENT = "pages"
"""The client of everything that a person does on the pages."""
LINK_SECONDS = 600
_SCOPES = scopes_of(["user/*.cruds"])


class People:
    """The people of a database."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._database = pipeline.database.seen_by(ALL_SEEING)

    def add(
        self,
        name: str,
        offices: Sequence[Office],
        organisation_id: str,
        organisation_name: str = "",
        subject: str = "",
        issuer: str = "",
    ) -> Person:
        """Register a person of an organisation, which is found by its number or registered. Refused with every problem.

        Without a `subject` the person signs in by link alone, and is known by the id.
        """
        problems: list[Problem] = []
        if not 0 < len(name.strip()) <= 200 or not name.isprintable():
            problems.append(Problem(Category.INVALID, "A name of 1 to 200 letters is needed.", "name"))
        if len(subject) > 255 or not subject.isprintable():
            problems.append(Problem(Category.INVALID, "A subject has at most 255 letters.", "subject"))
        if subject and not issuer:
            sentence = "A subject is of a sign-in service: set AIRWAY_RELAY_OIDC_ISSUER, or leave the subject out."
            problems.append(Problem(Category.INVALID, sentence, "subject"))
        if problems:
            raise Refused(problems)
        now, number = instant(self._pipeline.now()), new_id()
        person = Person(
            id=number,
            issuer=issuer if subject else "",
            subject=subject or number,
            name=name.strip(),
            offices=" ".join(sorted(set(offices))),
            organisation=Directory(self._pipeline).known_as(organisation_id, organisation_name),
            revoked=False,
            added_at=now,
            changed_at=now,
        )

        def work(tx: Connection) -> None:
            if people.known_as(tx, person.issuer, person.subject):
                raise refuse(Category.CONFLICT, f"The subject {person.subject} is registered already.", "subject")
            people.add(tx, person)

        self._database.write(work)
        return person

    def listed(self) -> list[Person]:
        """Every person."""
        return self._database.read(people.listed)

    def revoke(self, person_id: str) -> None:
        """Take a person's access away for good, and end every session."""
        now = instant(self._pipeline.now())
        if not self._database.write(lambda tx: people.revoke(tx, person_id, now)):
            raise refuse(Category.NOT_FOUND, f"There is no person {person_id}.")

    def link(self, person_id: str) -> str:
        """The secret of a new link that signs a person in once, within ten minutes. Refused for who is not active."""
        secret = secrets.token_urlsafe(32)
        expires_at_s = self._pipeline.now().timestamp() + LINK_SECONDS

        def work(tx: Connection) -> None:
            person = people.find(tx, person_id)
            if person is None or person.revoked:
                raise refuse(Category.NOT_FOUND, f"There is no person {person_id}, or their access was taken away.")
            people.add_link(tx, hash_of(secret), person_id, expires_at_s)

        self._database.write(work)
        return secret

    def by_link(self, secret: str) -> Person | None:
        """The active person whom a link signs in now; it does so once."""
        now_s = self._pipeline.now().timestamp()

        def work(tx: Connection) -> Person | None:
            person_id = people.use_link(tx, hash_of(secret), now_s)
            return people.find(tx, person_id) if person_id else None

        found = self._database.write(work)
        return found if found is not None and not found.revoked else None

    def known_as(self, issuer: str, subject: str) -> Person | None:
        """The active person whom a sign-in service knows as this subject."""
        found = self._database.read(lambda tx: people.known_as(tx, issuer, subject))
        return found if found is not None and not found.revoked else None


def grant_to(person: Person) -> Grant:
    """What a person may do: what their office may, for the cases of their organisation."""
    offices = frozenset(Office(office) for office in person.offices.split())
    return Grant(CLIENT, offices, person.organisation, _SCOPES, person=person.subject)


def hash_of(secret: str) -> str:
    """By what a secret of 256 random bits is kept: it needs no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()
