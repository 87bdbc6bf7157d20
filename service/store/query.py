"""The one place where a SELECT on resources, cases, facts, messages or the search index begins.

Every query is built for the caller whom its transaction serves, so that no path can forget whose case a row is. The
rest of the store adds its own conditions; a transaction without a caller cannot read at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, FromClause, Select, Table, and_, exists, false, or_, select

from service.rows import DIRECTORY, EVERYBODY
from service.store.caller import ALL_SEEING, Caller, Kinds, Reach
from service.store.tables import (
    CaseParty,
    CaseRow,
    FactRow,
    Identity,
    MessageRow,
    ResourceParty,
    ResourceVersion,
    SearchValue,
)

VERSIONS: Table = ResourceVersion.__table__  # type: ignore[attr-defined]
VALUES: Table = SearchValue.__table__  # type: ignore[attr-defined]
CASES: Table = CaseRow.__table__  # type: ignore[attr-defined]
FACTS: Table = FactRow.__table__  # type: ignore[attr-defined]
MESSAGES: Table = MessageRow.__table__  # type: ignore[attr-defined]
IDENTITIES: Table = Identity.__table__  # type: ignore[attr-defined]
PARTIES: Table = CaseParty.__table__  # type: ignore[attr-defined]
SEEN: Table = ResourceParty.__table__  # type: ignore[attr-defined]

RULES = "Device"
"""The only resource of this type that is of no case: the rules, which everybody may read."""

CALLER = "caller"
"""The execution option of a connection that names the caller."""


def caller_of(connection: Connection) -> Caller:
    """The caller a transaction serves."""
    caller = connection.get_execution_options().get(CALLER)
    assert isinstance(caller, Caller), "a transaction reads for a caller"
    return caller


@contextmanager
def as_the_service(connection: Connection) -> Iterator[None]:
    """Reads of a block are made for the service itself: what one client tells can concern cases that it may not see."""
    before = caller_of(connection)
    connection.execution_options(**{CALLER: ALL_SEEING})
    try:
        yield
    finally:
        connection.execution_options(**{CALLER: before})


def rows(connection: Connection, table: FromClause, *columns: Any) -> Select[Any]:
    """Rows of a table (or an alias of it) that the caller may see; all columns unless some are named."""
    return rows_seen_by(caller_of(connection), table, *columns)


def rows_seen_by(caller: Caller, table: FromClause, *columns: Any) -> Select[Any]:
    """The same for a caller who is known already, as where a statement is made once (`made_once`)."""
    return select(*(columns or (table,))).select_from(table).where(*_visible(caller, table))


def made_once(build: Callable[[Caller], Select[Any]]) -> Callable[[Connection], Select[Any]]:
    """A statement of the hot path with named parameters, made once for each caller and then found again."""
    held = lru_cache(maxsize=1024)(build)
    return lambda connection: held(caller_of(connection))


def some(connection: Connection, table: FromClause, *conditions: ColumnElement[bool]) -> ColumnElement[bool]:
    """Whether there is a row of a table that the caller may see and that meets the conditions."""
    return exists().select_from(table).where(*_visible(caller_of(connection), table), *conditions)


def identities(connection: Connection, *columns: Any) -> Select[Any]:
    """Business identifiers that the caller's organisation gave, or of a resource that the caller may see.

    Of the directory only those that it gave itself and those that the operator bound: another's entry under the same
    number answers nobody.
    """
    found = select(*(columns or (IDENTITIES,))).select_from(IDENTITIES)
    organisation = caller_of(connection).organisation
    if organisation is None:
        return found
    first = VERSIONS.alias()
    same = (first.c.type == IDENTITIES.c.type, first.c.id == IDENTITIES.c.id, first.c.version == 1)
    seen = and_(IDENTITIES.c.type.not_in(DIRECTORY), some(connection, first, *same))
    return found.where(or_(IDENTITIES.c.scope.in_([organisation, EVERYBODY, bound_scope(organisation)]), seen))


def answers(connection: Connection, kind: str, resource_id: ColumnElement[str]) -> list[ColumnElement[bool]]:
    """Whether a resource answers the caller's searches: of the directory what it wrote itself and what is registered.

    What another wrote of an office can be read where a case refers to it, and is found by nobody who looks for the office.
    """
    organisation = caller_of(connection).organisation
    if organisation is None or kind not in DIRECTORY:
        return []
    own = or_(SEEN.c.organisation == EVERYBODY, and_(SEEN.c.organisation == organisation, SEEN.c.wrote.is_(True)))
    return [exists().where(SEEN.c.type == kind, SEEN.c.id == resource_id, own)]


def bound_scope(sender: str) -> str:
    """The scope of a number that the operator bound for one sender, for everybody when that is empty."""
    return f"{EVERYBODY}{sender}"


def scope_of(connection: Connection) -> str:
    """Whose the identifiers are that the caller gives; empty while access control is off."""
    return caller_of(connection).organisation or ""


def among(keys: Iterable[tuple[str, ...]], *columns: ColumnElement[str]) -> ColumnElement[bool]:
    """Whether a row has one of some keys, written so that every database looks each up in an index on the columns.

    SQLite reads a whole table for a list of row values. The last part of the keys is listed for each of what stands
    before it.
    """
    last: dict[tuple[str, ...], list[str]] = {}
    for *head, tail in dict.fromkeys(keys):
        last.setdefault(tuple(head), []).append(tail)
    found = [
        and_(*(c == part for c, part in zip(columns[:-1], head, strict=True)), columns[-1].in_(tails))
        for head, tails in last.items()
    ]
    return or_(*found) if found else false()


def is_current(versions: FromClause) -> ColumnElement[bool]:
    """Whether a version row is the last one of its resource; needs no caller, as it shows nothing of another."""
    newer = VERSIONS.alias()
    same = and_(newer.c.type == versions.c.type, newer.c.id == versions.c.id)
    return ~exists().select_from(newer).where(same, newer.c.version > versions.c.version)


def _visible(caller: Caller, table: FromClause) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    of_resources = "type" in table.c and table is not FACTS
    if caller.organisation is not None:
        own = _of_a_party(table, caller.organisation, of_resources)
        conditions.append(or_(own, _of_one_patient(table, caller.reach, of_resources)) if caller.reach else own)
    if caller.kinds is not None and of_resources:
        conditions.append(_of_kinds(table, caller.kinds))
    return conditions


def _of_a_party(table: FromClause, organisation: str, of_resources: bool) -> ColumnElement[bool]:
    """Whether a row is of a case of the organisation's, or of no case and told to it."""
    own = select(PARTIES.c.case_number).where(PARTIES.c.organisation == organisation)
    of_own_case = table.c.case_number.in_(own)
    if not of_resources:
        return of_own_case
    among_told = SEEN.c.organisation.in_([organisation, EVERYBODY])
    told = exists().where(SEEN.c.type == table.c.type, SEEN.c.id == table.c.id, among_told)
    of_no_case = or_(table.c.case_number == "", table.c.type == "AuditEvent")
    return or_(of_own_case, and_(of_no_case, told), and_(table.c.case_number == "", table.c.type == RULES))


def _of_one_patient(table: FromClause, reach: Reach, of_resources: bool) -> ColumnElement[bool]:
    """Whether a row is of the patient whom emergency access names: of the named case, or of any of theirs."""
    if reach.case_number:
        of_case = table.c.case_number == reach.case_number
    else:
        cases = CASES.alias()
        of_case = table.c.case_number.in_(select(cases.c.case_number).where(cases.c.patient == reach.patient))
    if not of_resources:
        return of_case
    kind, _, patient_id = reach.patient.partition("/")
    return or_(of_case, and_(table.c.case_number == "", table.c.type == kind, table.c.id == patient_id))


def _of_kinds(table: FromClause, kinds: Kinds) -> ColumnElement[bool]:
    """Whether a row is of one of the types, and of one of the categories where a type is limited to some."""
    passing: list[ColumnElement[bool]] = []
    whole = [kind for kind, categories in kinds if categories is None]
    if whole:
        passing.append(table.c.type.in_(whole))
    for kind, categories in kinds:
        if categories is not None:
            held = VALUES.alias()
            one_of = or_(*(_is_category(held, one) for one in sorted(categories)))
            same = (held.c.type == kind, held.c.id == table.c.id, held.c.param == "category")
            passing.append(and_(table.c.type == kind, exists().select_from(held).where(*same, one_of)))
    return or_(*passing) if passing else false()


def _is_category(values: FromClause, category: str) -> ColumnElement[bool]:
    system, _, code = category.partition("|")
    return and_(values.c.value == code, values.c.part == system)
