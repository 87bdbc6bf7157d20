"""People who sign in, their sessions, and the links that sign in once; of secrets the hash alone."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from sqlalchemy import Connection, Table, delete, insert, select, update

from service.store.people_tables import PersonRow, SessionRow, SignInLinkRow
from service.store.prepared import add_rows

_PEOPLE: Table = PersonRow.__table__  # type: ignore[attr-defined]
_SESSIONS: Table = SessionRow.__table__  # type: ignore[attr-defined]
_LINKS: Table = SignInLinkRow.__table__  # type: ignore[attr-defined]
_P, _S, _L = _PEOPLE.c, _SESSIONS.c, _LINKS.c


@dataclass(frozen=True, slots=True)
class Person:
    """A registered person. Offices are words parted by blanks, `organisation` is `Organization/id`."""

    id: str
    issuer: str
    subject: str
    name: str
    offices: str
    organisation: str
    revoked: bool
    added_at: str
    changed_at: str


@dataclass(frozen=True, slots=True)
class HeldSession:
    """A session as it stands, with its person; moments in seconds since 1970."""

    person: Person
    seen_at_s: float
    expires_at_s: float


def add(connection: Connection, person: Person) -> None:
    """Register a person."""
    add_rows(connection, _PEOPLE, [asdict(person)])


def find(connection: Connection, person_id: str) -> Person | None:
    """A person by id."""
    row = connection.execute(select(_PEOPLE).where(_P.id == person_id)).one_or_none()
    return Person(*row) if row is not None else None


def known_as(connection: Connection, issuer: str, subject: str) -> Person | None:
    """A person as a sign-in service knows them."""
    row = connection.execute(select(_PEOPLE).where(_P.issuer == issuer, _P.subject == subject)).one_or_none()
    return Person(*row) if row is not None else None


def listed(connection: Connection) -> list[Person]:
    """Every person, in the order in which they were added."""
    return [Person(*row) for row in connection.execute(select(_PEOPLE).order_by(_P.added_at, _P.id))]


def revoke(connection: Connection, person_id: str, now: str) -> bool:
    """Take a person's access away, with every session and link; whether the person was there."""
    done = connection.execute(update(_PEOPLE).where(_P.id == person_id).values(revoked=True, changed_at=now))
    connection.execute(delete(_SESSIONS).where(_S.person == person_id))
    connection.execute(delete(_LINKS).where(_L.person == person_id))
    return done.rowcount == 1


def open_session(connection: Connection, sha256: str, person_id: str, now_s: float, expires_at_s: float) -> None:
    """Keep a new session."""
    row = {
        "sha256": sha256,
        "person": person_id,
        "created_at_s": now_s,
        "seen_at_s": now_s,
        "expires_at_s": expires_at_s,
    }
    connection.execute(insert(_SESSIONS), [row])


def session(connection: Connection, sha256: str) -> HeldSession | None:
    """A session and its person, who was not revoked; None without one."""
    query = select(*_P, _S.seen_at_s, _S.expires_at_s).join_from(_SESSIONS, _PEOPLE, _S.person == _P.id)
    row = connection.execute(query.where(_S.sha256 == sha256, _P.revoked.is_(False))).one_or_none()
    if row is None:
        return None
    fields = list(row)
    return HeldSession(Person(*fields[:-2]), *fields[-2:])


def saw(connection: Connection, sha256: str, now_s: float) -> None:
    """Note that a session was used; an earlier moment than the one noted changes nothing."""
    connection.execute(update(_SESSIONS).where(_S.sha256 == sha256, _S.seen_at_s < now_s).values(seen_at_s=now_s))


def end_session(connection: Connection, sha256: str) -> bool:
    """End a session; whether it was there."""
    return connection.execute(delete(_SESSIONS).where(_S.sha256 == sha256)).rowcount == 1


def add_link(connection: Connection, sha256: str, person_id: str, expires_at_s: float) -> None:
    """Keep a link that signs in once."""
    connection.execute(insert(_LINKS), [{"sha256": sha256, "person": person_id, "expires_at_s": expires_at_s}])


def use_link(connection: Connection, sha256: str, now_s: float) -> str:
    """The id of the person whom a link signs in, which it then does no more; empty when it holds for nobody."""
    held = delete(_LINKS).where(_L.sha256 == sha256, _L.expires_at_s > now_s).returning(_L.person)
    return connection.execute(held).scalar() or ""


def prune(connection: Connection, now_s: float) -> None:
    """Forget sessions and links that have ended."""
    connection.execute(delete(_SESSIONS).where(_S.expires_at_s <= now_s))
    connection.execute(delete(_LINKS).where(_L.expires_at_s <= now_s))
