"""What the verification of the whole database reads: pages in the order of an index, so that memory stays bounded."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, and_, literal, or_, select, tuple_, union

from service.rows import Stored
from service.store import query
from service.store.audit_chain import AUDIT_EVENT
from service.store.query import CASES, FACTS, MESSAGES, PARTIES, SEEN, VALUES, VERSIONS

_V, _S, _M, _R = VERSIONS.c, VALUES.c, MESSAGES.c, SEEN.c
_PAGE, _MESSAGES = 500, 20
Key = tuple[str, str, int]


@dataclass(frozen=True, slots=True)
class KeptMessage:
    """A message without its text: `sha256` as its row tells it, `digest` as its text has it."""

    id: str
    received_at: str
    channel: str
    case_number: str
    sha256: str
    digest: str


def case_numbers(connection: Connection) -> Iterator[str]:
    """Every case number that a row of any table tells, in order; empty for what is of no case."""
    yield ""
    after = ""
    while True:
        found = []
        for table in (CASES, VERSIONS, FACTS, MESSAGES, PARTIES):
            number = table.c.case_number
            some = query.rows(connection, table, number) if table is not PARTIES else select(number)
            some = some.where(number > after).distinct().order_by(number).limit(_PAGE).subquery()
            found.append(select(some.c.case_number))
        every = union(*found).subquery()
        page = select(every.c.case_number).order_by(every.c.case_number).limit(_PAGE)
        numbers = list(connection.execute(page).scalars())
        yield from numbers
        if not numbers:
            return
        after = numbers[-1]


def versions_without_case(connection: Connection) -> Iterator[list[tuple[Stored, bool]]]:
    """Pages of the versions of no case, those of each resource in order; with each, whether it is the current one."""
    current = query.is_current(VERSIONS).label("is_current")
    own = query.rows(connection, VERSIONS, *VERSIONS.columns, current).where(_V.case_number == literal(""))
    after: Key | None = None
    while True:
        page = own.order_by(_V.type, _V.id, _V.version).limit(_PAGE)
        if after is not None:
            page = page.where(tuple_(_V.type, _V.id, _V.version) > tuple_(*after))
        found = [(Stored(*tuple(row)[:-1]), bool(row[-1])) for row in connection.execute(page)]
        if not found:
            return
        yield found
        after = _key(found[-1][0])


def entries(
    connection: Connection, case_number: str | None = None, holding: Sequence[str] = ()
) -> Iterator[list[Stored]]:
    """Pages of AuditEvents: all, or those of one case number; only those that hold one of some texts, if any is given."""
    own = query.rows(connection, VERSIONS).where(_V.type == AUDIT_EVENT)
    if case_number is not None:
        own = own.where(_V.case_number == case_number)
    if holding:
        own = own.where(or_(*(_V.body.contains(held, autoescape=True) for held in holding)))
    after = ("", 0)
    while True:
        page = own.where(tuple_(_V.id, _V.version) > tuple_(*after)).order_by(_V.id, _V.version).limit(_PAGE)
        found = [Stored(*row) for row in connection.execute(page)]
        if not found:
            return
        yield found
        after = (found[-1].id, found[-1].version)


def others_than_entries(connection: Connection, case_number: str) -> list[Stored]:
    """Versions under a case number of entries alone that are none."""
    wanted = query.rows(connection, VERSIONS).where(_V.case_number == case_number, _V.type != AUDIT_EVENT)
    return [Stored(*row) for row in connection.execute(wanted.limit(_PAGE))]


def version_keys(connection: Connection) -> Iterator[list[Key]]:
    """Pages of (type, id, version) of every version but those of AuditEvents."""
    own = query.rows(connection, VERSIONS, _V.type, _V.id, _V.version).where(_V.type != AUDIT_EVENT)
    after: Key | None = None
    while True:
        page = own.order_by(_V.type, _V.id, _V.version).limit(_PAGE)
        if after is not None:
            page = page.where(tuple_(_V.type, _V.id, _V.version) > tuple_(*after))
        found: list[Key] = [(row.type, row.id, row.version) for row in connection.execute(page)]
        if not found:
            return
        yield found
        after = found[-1]


def versions(connection: Connection, keys: Sequence[Key]) -> dict[Key, Stored]:
    """The versions of some keys that are there."""
    found: dict[Key, Stored] = {}
    for start in range(0, len(keys), _PAGE):
        some = keys[start : start + _PAGE]
        by: dict[tuple[str, int], list[str]] = {}
        for kind, name, number in some:
            by.setdefault((kind, number), []).append(name)
        one_of = [and_(_V.type == kind, _V.version == n, _V.id.in_(names)) for (kind, n), names in by.items()]
        for row in connection.execute(query.rows(connection, VERSIONS).where(or_(*one_of))):
            held = Stored(*row)
            found[_key(held)] = held
    return found


def there_are(connection: Connection, keys: Sequence[tuple[str, str]]) -> set[tuple[str, str]]:
    """Those of some resources, by (type, id), of which there is a version."""
    found: set[tuple[str, str]] = set()
    for start in range(0, len(keys), _PAGE):
        one_of = query.among(keys[start : start + _PAGE], _V.type, _V.id)
        wanted = query.rows(connection, VERSIONS, _V.type, _V.id).where(one_of).distinct()
        found |= {(row.type, row.id) for row in connection.execute(wanted)}
    return found


def messages_of_case(connection: Connection, case_number: str) -> Iterator[KeptMessage]:
    """The messages of a case, or of none, by id."""
    after = ""
    while page := _messages(connection, _M.case_number == case_number, _M.id > after):
        yield from page
        after = page[-1].id


def messages_by_id(connection: Connection, ids: Sequence[str]) -> Iterator[KeptMessage]:
    """The messages of some ids, of whatever case."""
    for start in range(0, len(ids), _MESSAGES):
        yield from _messages(connection, _M.id.in_(ids[start : start + _MESSAGES]))


def _messages(connection: Connection, *which: ColumnElement[bool]) -> list[KeptMessage]:
    columns = (_M.id, _M.received_at, _M.channel, _M.case_number, _M.sha256, _M.body)
    page = query.rows(connection, MESSAGES, *columns).where(*which).order_by(_M.id).limit(_MESSAGES)
    return [
        KeptMessage(*tuple(row)[:-1], hashlib.sha256(row[-1]).hexdigest())  # type: ignore[call-arg]
        for row in connection.execute(page)
    ]


def left_of_case(connection: Connection, case_number: str) -> list[str]:
    """The tables, of facts and parties, that hold rows of a case number."""
    facts = query.rows(connection, FACTS, FACTS.c.id).where(FACTS.c.case_number == case_number)
    parties = select(PARTIES.c.part).where(PARTIES.c.case_number == case_number)
    both = {"fact": facts, "case_party": parties}
    return [name for name, one in both.items() if connection.execute(one.limit(1)).first() is not None]


IndexRow = tuple[str, str, str, str | None, str]
"""Parameter, value, part, end and case number of a row of the search index."""


def index_rows(connection: Connection, keys: Sequence[tuple[str, str]]) -> dict[tuple[str, str], list[IndexRow]]:
    """The rows of the search index of some resources, by (type, id)."""
    found: dict[tuple[str, str], list[IndexRow]] = {}
    columns = (_S.type, _S.id, _S.param, _S.value, _S.part, _S.ends, _S.case_number)
    for start in range(0, len(keys), _PAGE):
        one_of = query.among(keys[start : start + _PAGE], _S.type, _S.id)
        for row in connection.execute(query.rows(connection, VALUES, *columns).where(one_of)):
            told = (row.param, row.value, row.part, row.ends, row.case_number)
            found.setdefault((row.type, row.id), []).append(told)
    return found


def indexed_without_version(connection: Connection) -> Iterator[tuple[str, str]]:
    """(type, id) of the resources that the search index tells and of which there is no version."""
    own = query.rows(connection, VALUES, _S.type, _S.id).where(
        ~query.some(connection, VERSIONS, _V.type == _S.type, _V.id == _S.id)
    )
    for row in connection.execute(own.distinct().order_by(_S.type, _S.id)):
        yield row.type, row.id


def seen(connection: Connection) -> Iterator[list[tuple[str, str, str, bool]]]:
    """Pages of (type, id, organisation, wrote): who sees or wrote what is of no case."""
    after: tuple[str, str, str] | None = None
    while True:
        page = select(_R.type, _R.id, _R.organisation, _R.wrote).order_by(_R.type, _R.id, _R.organisation).limit(_PAGE)
        if after is not None:
            page = page.where(tuple_(_R.type, _R.id, _R.organisation) > tuple_(*after))
        found = [(row.type, row.id, row.organisation, row.wrote) for row in connection.execute(page)]
        if not found:
            return
        yield found
        after = found[-1][:3]


def _key(row: Stored) -> Key:
    return row.type, row.id, row.version
