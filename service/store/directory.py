"""Registered organisations, the numbers bound to them, the parties that wait for a binding, and those suspended."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, Table, delete, func, select, update

from service.rows import ANY_SENDER, EVERYBODY, Number, WaitingParty
from service.store import query
from service.store.directory_tables import BindingRow, OrganisationRow, SuspendedPartyRow, WaitingPartyRow
from service.store.prepared import add_rows
from service.store.query import IDENTITIES, PARTIES, SEEN

_ORGANISATIONS: Table = OrganisationRow.__table__  # type: ignore[attr-defined]
_BINDINGS: Table = BindingRow.__table__  # type: ignore[attr-defined]
_WAITING: Table = WaitingPartyRow.__table__  # type: ignore[attr-defined]
_SUSPENDED: Table = SuspendedPartyRow.__table__  # type: ignore[attr-defined]
_O, _B, _W, _S = _ORGANISATIONS.c, _BINDINGS.c, _WAITING.c, _SUSPENDED.c


@dataclass(frozen=True, slots=True)
class Registered:
    """A registered organisation: `Organization/id`, the operator's name for it, when it was added and last written."""

    reference: str
    name: str
    added_at: str
    written_at: str = ""


@dataclass(frozen=True, slots=True)
class Binding:
    """A number that stands for a registered organisation when `sender` uses it (empty: whoever uses it)."""

    kind: str
    system: str
    value: str
    sender: str
    organisation: str
    bound_at: str


def add(connection: Connection, one: Registered) -> None:
    """Register an organisation: everybody may read its resource from then on."""
    add_rows(connection, _ORGANISATIONS, [asdict(one)])
    kind, _, resource_id = one.reference.partition("/")
    everybody = {"type": kind, "id": resource_id, "organisation": EVERYBODY, "wrote": False}
    add_rows(connection, SEEN, [everybody])


def wrote(connection: Connection, reference: str, now: str) -> None:
    """Note that an organisation's resource tells what the operator says; who wrote it before has no say in it any more."""
    kind, _, resource_id = reference.partition("/")
    connection.execute(update(_ORGANISATIONS).where(_O.reference == reference).values(written_at=now))
    connection.execute(update(SEEN).where(SEEN.c.type == kind, SEEN.c.id == resource_id).values(wrote=False))


def listed(connection: Connection) -> list[Registered]:
    """Every registered organisation, in the order in which they were added."""
    return [Registered(*r) for r in connection.execute(select(_ORGANISATIONS).order_by(_O.added_at, _O.reference))]


def registered(connection: Connection, references: Iterable[str]) -> set[str]:
    """Those of some `Organization/id` that are registered."""
    wanted = list(dict.fromkeys(references))
    if not wanted:
        return set()
    return set(connection.execute(select(_O.reference).where(_O.reference.in_(wanted))).scalars())


def bindings(connection: Connection) -> list[Binding]:
    """Every binding, by organisation and number."""
    order = (_B.organisation, _B.kind, _B.system, _B.value, _B.sender)
    return [Binding(*r) for r in connection.execute(select(_BINDINGS).order_by(*order))]


def bound_to(connection: Connection, number: Number, sender: str) -> str:
    """The organisation that a number stands for when `sender` uses it, the sender's own binding first; empty for none."""
    kind, system, value = number
    held = select(_B.organisation).where(
        _B.kind == kind, _B.system == system, _B.value == value, _B.sender.in_([ANY_SENDER, sender])
    )
    return connection.execute(held.order_by(func.length(_B.sender).desc()).limit(1)).scalar() or ""


def binding(connection: Connection, number: Number, sender: str) -> Binding | None:
    """The binding of a number for exactly that sender (`ANY_SENDER` for all)."""
    kind, system, value = number
    held = select(_BINDINGS).where(_B.kind == kind, _B.system == system, _B.value == value, _B.sender == sender)
    row = connection.execute(held).one_or_none()
    return Binding(*row) if row is not None else None


def bind(connection: Connection, one: Binding) -> None:
    """Bind a number. One of an organisation finds its resource as well, for the senders that it is bound for."""
    add_rows(connection, _BINDINGS, [asdict(one)])
    if one.kind == "Organization":
        scope = query.bound_scope(one.sender)
        row = {"type": one.kind, "system": one.system, "value": one.value, "scope": scope, "revision": 1}
        add_rows(connection, IDENTITIES, [{**row, "id": one.organisation.removeprefix("Organization/")}])


def unbind(connection: Connection, one: Binding) -> None:
    """Take a binding back; the number finds the organisation no more."""
    same = (_B.kind == one.kind, _B.system == one.system, _B.value == one.value, _B.sender == one.sender)
    connection.execute(delete(_BINDINGS).where(*same))
    if one.kind == "Organization":
        i, scope = IDENTITIES.c, query.bound_scope(one.sender)
        number = (i.type == one.kind, i.system == one.system, i.value == one.value, i.scope == scope)
        connection.execute(delete(IDENTITIES).where(*number))


def wait(connection: Connection, rows: Sequence[WaitingParty]) -> None:
    """Note parties of a case that wait for a binding, those that wait already once."""
    if not rows:
        return
    known = {_key(row) for row in waiting_of(connection, rows[0].case_number)}
    new = {_key(row): row for row in rows if _key(row) not in known}
    if new:
        add_rows(connection, _WAITING, [asdict(row) for row in new.values()])


def _key(row: WaitingParty) -> tuple[str, ...]:
    return (row.case_number, row.part, row.reference, row.kind, row.system, row.value)


def waiting_of(connection: Connection, case_number: str) -> list[WaitingParty]:
    """The parties of a case that wait."""
    held = select(_WAITING).where(_W.case_number == case_number)
    return [WaitingParty(*r) for r in connection.execute(held.order_by(_W.part, _W.reference, _W.system, _W.value))]


def waiting(connection: Connection) -> list[WaitingParty]:
    """Every waiting party, the longest waiting first."""
    held = select(_WAITING).order_by(_W.since, _W.case_number, _W.part, _W.reference, _W.system, _W.value)
    return [WaitingParty(*r) for r in connection.execute(held)]


def cases_waiting_for(connection: Connection, number: Number) -> list[str]:
    """The numbers of the cases in which a party named by a number waits."""
    kind, system, value = number
    held = select(_W.case_number).where(_W.kind == kind, _W.system == system, _W.value == value).distinct()
    return list(connection.execute(held.order_by(_W.case_number)).scalars())


def forget_case(connection: Connection, case_number: str) -> None:
    """Remove what waits or is suspended of a case."""
    for table in (_WAITING, _SUSPENDED):
        connection.execute(delete(table).where(table.c.case_number == case_number))


def forget_waiting(connection: Connection, case_number: str, parts: Iterable[str]) -> None:
    """Let some parties of a case wait no more."""
    connection.execute(delete(_WAITING).where(_W.case_number == case_number, _W.part.in_(list(parts))))


def suspended(connection: Connection) -> list[tuple[str, str, str]]:
    """The suspended parties, as (case number, organisation, part)."""
    held = select(_SUSPENDED).order_by(_S.organisation, _S.case_number, _S.part)
    return [(r.case_number, r.organisation, r.part) for r in connection.execute(held)]


def restore(connection: Connection, case_number: str, organisation: str, part: str) -> None:
    """Make a suspended party a party again."""
    connection.execute(
        delete(_SUSPENDED).where(_S.case_number == case_number, _S.organisation == organisation, _S.part == part)
    )
    known = select(PARTIES.c.part).where(
        PARTIES.c.case_number == case_number, PARTIES.c.organisation == organisation, PARTIES.c.part == part
    )
    if connection.execute(known).first() is None:
        row = {"case_number": case_number, "organisation": organisation, "part": part}
        add_rows(connection, PARTIES, [row])
