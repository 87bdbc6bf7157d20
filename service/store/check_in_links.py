"""Links by which a patient checks in. Their secrets are not here: only what they hash to."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from sqlalchemy import Connection, Table, delete, insert, select, update

from service.store.check_in_link_tables import CheckInLinkRow

LINKS: Table = CheckInLinkRow.__table__  # type: ignore[attr-defined]
_L = LINKS.c


@dataclass(frozen=True, slots=True)
class CheckInLink:
    """A link: the hash of its secret, its case, when it was made and until when it holds (instants), its uses."""

    sha256: str
    case_number: str
    made_at: str
    expires_at: str
    uses: int = 0
    revoked: bool = False

    def holds_at(self, now: str) -> bool:
        """Whether it may be used at an instant."""
        return not self.revoked and now < self.expires_at


def add(connection: Connection, link: CheckInLink) -> None:
    """Keep a new link."""
    connection.execute(insert(LINKS), [asdict(link)])


def find(connection: Connection, sha256: str) -> CheckInLink | None:
    """The link of a hash."""
    row = connection.execute(select(LINKS).where(_L.sha256 == sha256)).one_or_none()
    return CheckInLink(*row) if row is not None else None


def standing(connection: Connection, case_number: str, now: str) -> CheckInLink | None:
    """The link of a case that holds at an instant."""
    held = select(LINKS).where(_L.case_number == case_number, _L.revoked.is_(False), _L.expires_at > now)
    row = connection.execute(held.order_by(_L.made_at.desc(), _L.sha256).limit(1)).one_or_none()
    return CheckInLink(*row) if row is not None else None


def end_all(connection: Connection, case_number: str) -> int:
    """Revoke every link of a case; how many there were to revoke."""
    done = update(LINKS).where(_L.case_number == case_number, _L.revoked.is_(False)).values(revoked=True)
    return connection.execute(done).rowcount


def used(connection: Connection, sha256: str) -> None:
    """Count one use."""
    connection.execute(update(LINKS).where(_L.sha256 == sha256).values(uses=_L.uses + 1))


def forget(connection: Connection, case_number: str) -> None:
    """Remove the links of a case."""
    connection.execute(delete(LINKS).where(_L.case_number == case_number))
