"""Who is a party to a case, and who sees or wrote what is of no case. Organisations are `Organization/id`."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection, exists, select, update

from service.rows import Key
from service.store import query
from service.store.prepared import add_rows
from service.store.query import CASES, PARTIES, SEEN

_P, _R = PARTIES.c, SEEN.c


def of_case(connection: Connection, case_number: str) -> set[tuple[str, str]]:
    """The parties of a case, as (organisation, part)."""
    held = select(_P.organisation, _P.part).where(_P.case_number == case_number)
    return {(r.organisation, r.part) for r in connection.execute(held)}


def cases_of(connection: Connection, organisation: str, numbers: Iterable[str]) -> set[str]:
    """Those of some cases to which an organisation is a party."""
    own = select(_P.case_number).where(_P.organisation == organisation, _P.case_number.in_(list(numbers)))
    return set(connection.execute(own).scalars())


def add(connection: Connection, case_number: str, parties: Iterable[tuple[str, str]]) -> None:
    """Add parties to a case that it does not have yet, as (organisation, part)."""
    rows = [{"case_number": case_number, "organisation": o, "part": part} for o, part in parties]
    add_rows(connection, PARTIES, rows)


def without(connection: Connection, limit: int) -> list[str]:
    """Numbers of cases whose parties are not on record yet."""
    known = exists().where(_P.case_number == CASES.c.case_number)
    return list(
        connection.execute(query.rows(connection, CASES, CASES.c.case_number).where(~known).limit(limit)).scalars()
    )


def readers_of(connection: Connection, keys: Iterable[Key]) -> list[tuple[Key, str, bool]]:
    """The organisations that see resources (type, id) of no case, each with whether it wrote it."""
    found = select(_R.type, _R.id, _R.organisation, _R.wrote).where(query.among(keys, _R.type, _R.id))
    return [((r.type, r.id), r.organisation, r.wrote) for r in connection.execute(found)]


def let_read(connection: Connection, rows: Iterable[tuple[Key, str, bool]]) -> None:
    """Let organisations see resources of no case that they do not see yet, each with whether it wrote it."""
    add_rows(
        connection,
        SEEN,
        [{"type": key[0], "id": key[1], "organisation": name, "wrote": wrote} for key, name, wrote in rows],
    )


def count_as_writer(connection: Connection, rows: Iterable[tuple[Key, str]]) -> None:
    """Let organisations that see resources of no case count as their writers."""
    for (kind, name), organisation in rows:
        one = (_R.type == kind, _R.id == name, _R.organisation == organisation)
        connection.execute(update(SEEN).where(*one).values(wrote=True))


def writers_of(connection: Connection, key: Key) -> set[str]:
    """The organisations that wrote a resource of no case; empty when that was while access control was off."""
    held = select(_R.organisation).where(_R.type == key[0], _R.id == key[1], _R.wrote.is_(True))
    return set(connection.execute(held).scalars())
