"""Emergency accesses: opened, in use for some hours, kept in a list until somebody has reviewed them."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from sqlalchemy import Connection, Table, and_, delete, func, insert, select, text, update

from service.store.emergency_tables import EmergencyAccessRow

_ACCESSES: Table = EmergencyAccessRow.__table__  # type: ignore[attr-defined]
_A = _ACCESSES.c


@dataclass(frozen=True, slots=True)
class Access:
    """One emergency access; moments are instants, `organisation` is `Organization/id`, `patient` is `Patient/id`."""

    id: str
    opened_at: str
    expires_at: str
    client: str
    organisation: str
    person: str
    named: str
    patient: str
    case_number: str
    reason: str
    reviewed_at: str = ""
    reviewed_by: str = ""
    note: str = ""

    @property
    def who(self) -> str:
        """The person who opened it, as far as it is known."""
        return self.named if self.person else f"{self.named} (as the client {self.client} says; not verified)"


_COLUMNS = [_A[name] for name in Access.__dataclass_fields__]


def take_turn(connection: Connection) -> None:
    """Wait until nobody else opens one, so that the numbers an hour hold (SQLite has one writer anyway)."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(727005)"))


def add(connection: Connection, access: Access) -> None:
    """Keep a new access."""
    connection.execute(insert(_ACCESSES), [asdict(access)])


def count_since(connection: Connection, client: str, organisation: str, since: str) -> dict[tuple[str, str], int]:
    """How many a client of an organisation has opened since an instant, by (person, named)."""
    counted = select(_A.person, _A.named, func.count()).where(
        _A.client == client, _A.organisation == organisation, _A.opened_at > since
    )
    return {(person, named): many for person, named, many in connection.execute(counted.group_by(_A.person, _A.named))}


def find(connection: Connection, access_id: str) -> Access | None:
    """An access by its number."""
    row = connection.execute(select(*_COLUMNS).where(_A.id == access_id)).one_or_none()
    return Access(*row) if row is not None else None


def open_of(connection: Connection, client: str, organisation: str, person: str, now: str) -> list[Access]:
    """The accesses that a person (or, with an empty one, a client) has open at an instant, the last one first."""
    own = (_A.client == client, _A.organisation == organisation, _A.person == person)
    found = select(*_COLUMNS).where(*own, _A.expires_at > now).order_by(_A.opened_at.desc(), _A.id)
    return [Access(*row) for row in connection.execute(found)]


def about(connection: Connection, patient: str, case_number: str, limit: int) -> list[Access]:
    """The last accesses to a case, by its number or by its patient."""
    meant = and_(_A.patient == patient, _A.case_number.in_(("", case_number)))
    found = select(*_COLUMNS).where(meant).order_by(_A.opened_at.desc(), _A.id).limit(limit)
    return [Access(*row) for row in connection.execute(found)]


def listed(connection: Connection, with_reviewed: bool) -> list[Access]:
    """The accesses that nobody has reviewed, or all; in the order in which they were opened."""
    found = select(*_COLUMNS).order_by(_A.opened_at, _A.id)
    return [Access(*row) for row in connection.execute(found if with_reviewed else found.where(_A.reviewed_at == ""))]


def is_unreviewed(connection: Connection, patient: str, case_number: str) -> bool:
    """Whether an access to a case is still to be reviewed."""
    meant = and_(_A.patient == patient, _A.case_number.in_(("", case_number)), _A.reviewed_at == "")
    return connection.execute(select(_A.id).where(meant).limit(1)).first() is not None


def review(connection: Connection, access_id: str, now: str, by: str, note: str) -> bool:
    """Note the review of an access that has none; whether there was one."""
    waiting = update(_ACCESSES).where(_A.id == access_id, _A.reviewed_at == "")
    return connection.execute(waiting.values(reviewed_at=now, reviewed_by=by, note=note)).rowcount == 1


def forget_case(connection: Connection, case_number: str) -> None:
    """Remove the accesses to one case alone."""
    connection.execute(delete(_ACCESSES).where(_A.case_number == case_number))


def forget_patient(connection: Connection, patient: str) -> None:
    """Remove every access to a patient."""
    connection.execute(delete(_ACCESSES).where(_A.patient == patient))
