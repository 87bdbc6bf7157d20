"""Case rows, their facts, and the worklist."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, and_, bindparam, delete, false, or_, tuple_, update

from service.rows import Case, FactText
from service.store import query
from service.store.caller import Caller
from service.store.prepared import insert_into, update_by
from service.store.query import CASES, FACTS, MESSAGES

_C, _F, _M = CASES.c, FACTS.c, MESSAGES.c
_ADD, _SAVE = insert_into(CASES), update_by(CASES, "case_number")
_ADD_FACTS, _KEEP_MESSAGE = insert_into(FACTS), insert_into(MESSAGES)


@dataclass(frozen=True, slots=True)
class Waiting:
    """A case as the worklist shows it, without what makes its row large."""

    case_number: str
    stage: str
    whose_move: str
    waiting_since: str
    outcome: str
    urgent: bool
    decided_on: str
    overdue_from: str | None


_WAITING = tuple(_C[name] for name in Waiting.__dataclass_fields__)


def _one_case(caller: Caller) -> Select[Any]:
    return query.rows_seen_by(caller, CASES).where(_C.case_number == bindparam("number"))


def _facts(caller: Caller) -> Select[Any]:
    columns = (_F.type, _F.id, _F.version, _F.small, _F.spent)
    return query.rows_seen_by(caller, FACTS, *columns).where(_F.case_number == bindparam("number"))


def _replacing(caller: Caller) -> Select[Any]:
    later = query.rows_seen_by(caller, CASES, _C.case_number).where(_C.replaces == bindparam("number"))
    return later.order_by(_C.case_number).limit(100)


_GET = query.made_once(_one_case)
_REPLACING = query.made_once(_replacing)
_LOCK = query.made_once(lambda caller: _one_case(caller).with_for_update())
_EVERY_FACT = query.made_once(_facts)
_FACTS_IN_USE = query.made_once(lambda caller: _facts(caller).where(_F.spent == false()))


def lock(connection: Connection, case_number: str) -> Case | None:
    """The case, locked until the transaction ends (SQLite has one writer anyway)."""
    return _case(connection.execute(_LOCK(connection), {"number": case_number}).one_or_none())


def get(connection: Connection, case_number: str) -> Case | None:
    """The case without a lock."""
    return _case(connection.execute(_GET(connection), {"number": case_number}).one_or_none())


def of_patient(connection: Connection, patients: Iterable[str]) -> list[str]:
    """Case numbers of patients, by their references."""
    wanted = query.rows(connection, CASES, _C.case_number).where(_C.patient.in_(list(patients)))
    return [r.case_number for r in connection.execute(wanted.order_by(_C.case_number).limit(100))]


def numbers(connection: Connection, after: str, limit: int) -> list[str]:
    """Case numbers behind `after`, in order."""
    wanted = query.rows(connection, CASES, _C.case_number).where(_C.case_number > after)
    return [r.case_number for r in connection.execute(wanted.order_by(_C.case_number).limit(limit))]


def add(connection: Connection, case: Case) -> None:
    """Insert a new case."""
    _ADD.run(connection, [_row(case)])


def save(connection: Connection, case: Case) -> None:
    """Update a case."""
    _SAVE.run(connection, [_row(case)])


def facts(connection: Connection, case_number: str, in_use_only: bool = False) -> list[FactText]:
    """The valid facts of a case: every one, or those that are not spent."""
    wanted = _FACTS_IN_USE if in_use_only else _EVERY_FACT
    return [FactText(*r) for r in connection.execute(wanted(connection), {"number": case_number})]


def mark_facts(connection: Connection, case_number: str, keys: Sequence[tuple[str, str]], spent: bool) -> None:
    """Mark the facts of `keys` (type, id) as spent, or as in use."""
    if keys:
        rows = update(FACTS).where(_F.case_number == case_number, query.among(keys, _F.type, _F.id))
        connection.execute(rows.values(spent=spent))


def replace_facts(
    connection: Connection, case_number: str, stale: Sequence[tuple[str, str]], fresh: Sequence[FactText]
) -> None:
    """Drop the rows of `stale` (type, id) and add `fresh`."""
    if stale:
        connection.execute(delete(FACTS).where(_F.case_number == case_number, query.among(stale, _F.type, _F.id)))
    if fresh:
        rows = [
            {
                "case_number": case_number,
                "type": f.type,
                "id": f.id,
                "version": f.version,
                "small": f.content,
                "spent": f.spent,
            }
            for f in fresh
        ]
        _ADD_FACTS.run(connection, rows)


def all_facts_anew(connection: Connection, case_number: str, fresh: Sequence[FactText]) -> None:
    """Put `fresh` in place of every fact of a case."""
    connection.execute(delete(FACTS).where(_F.case_number == case_number))
    replace_facts(connection, case_number, (), fresh)


def worklist(
    connection: Connection, whose_move: str | None, after: tuple[str, str] | None, limit: int
) -> list[Waiting]:
    """A page of cases, longest waiting first; `after` is (waiting_since, case_number) of the last one seen."""
    page = query.rows(connection, CASES, *_WAITING).order_by(_C.waiting_since, _C.case_number).limit(limit)
    if whose_move:
        page = page.where(_C.whose_move == whose_move)
    if after:
        page = page.where(tuple_(_C.waiting_since, _C.case_number) > tuple_(*after))
    return [Waiting(*r) for r in connection.execute(page)]


def overdue(
    connection: Connection, today: str, whose_move: str | None, after: tuple[str, str] | None, limit: int
) -> list[Waiting]:
    """A page of cases overdue on a day, longest overdue first; `after` is (overdue_from, case_number) of the last."""
    page = query.rows(connection, CASES, *_WAITING).where(_C.overdue_from <= today)
    page = page.order_by(_C.overdue_from, _C.case_number).limit(limit)
    if whose_move:
        page = page.where(_C.whose_move == whose_move)
    if after:
        page = page.where(tuple_(_C.overdue_from, _C.case_number) > tuple_(*after))
    return [Waiting(*r) for r in connection.execute(page)]


def patients_of(connection: Connection, case_numbers: Iterable[str]) -> dict[str, str]:
    """The patient of each case, as a reference, by case number."""
    wanted = query.rows(connection, CASES, _C.case_number, _C.patient)
    found = connection.execute(wanted.where(_C.case_number.in_(sorted(set(case_numbers)))))
    return {r.case_number: r.patient for r in found}


def replacing(connection: Connection, case_number: str) -> list[str]:
    """Numbers of the later cases whose referral takes the place of this case's."""
    return [r.case_number for r in connection.execute(_REPLACING(connection), {"number": case_number})]


def not_decided_since(connection: Connection, day: str, closed: str, limit: int) -> list[str]:
    """Cases not at the stage `closed` whose last decision is older than `day`, oldest first."""
    waiting = query.rows(connection, CASES, _C.case_number).where(_C.decided_on < day, _C.stage != closed)
    waiting = waiting.order_by(_C.decided_on, _C.case_number).limit(limit)
    return [r.case_number for r in connection.execute(waiting)]


def stale_among(connection: Connection, case_numbers: Iterable[str], day: str, closed: str, shape: str) -> list[str]:
    """Those of the cases whose facts have another shape, or that are not at the stage `closed` and whose resources tell
    the decision of a day before `day`.
    """
    earlier = and_(_C.recorded_on < day, _C.stage != closed)
    wanted = query.rows(connection, CASES, _C.case_number).where(_C.case_number.in_(list(case_numbers)))
    wanted = wanted.where(or_(earlier, _C.facts_shape != shape))
    return sorted(r.case_number for r in connection.execute(wanted))


def of_another_shape(connection: Connection, shape: str, after: tuple[str, str], limit: int) -> list[tuple[str, str]]:
    """(facts_shape, case_number) of cases whose facts have another shape, behind `after`, in the order of an index."""
    keys = (_C.facts_shape, _C.case_number)
    for range_ in (_C.facts_shape < shape, _C.facts_shape > shape):
        wanted = query.rows(connection, CASES, *keys).where(range_, tuple_(*keys) > tuple_(*after))
        found = connection.execute(wanted.order_by(*keys).limit(limit)).all()
        if found:
            return [(r.facts_shape, r.case_number) for r in found]
    return []


def keep_message(
    connection: Connection, message_id: str, received_at: str, channel: str, case_number: str, sha256: str, body: bytes
) -> None:
    """Keep a message exactly as received."""
    row = {
        "id": message_id,
        "received_at": received_at,
        "channel": channel,
        "case_number": case_number,
        "sha256": sha256,
        "body": body,
    }
    _KEEP_MESSAGE.run(connection, [row])


def messages(connection: Connection, case_number: str) -> list[tuple[str, str, str, bytes]]:
    """(id, received at, channel, text as received) of a case's messages, oldest first."""
    kept = query.rows(connection, MESSAGES, _M.id, _M.received_at, _M.channel, _M.body)
    kept = kept.where(_M.case_number == case_number).order_by(_M.id)
    return [(r.id, r.received_at, r.channel, bytes(r.body)) for r in connection.execute(kept)]


def _row(case: Case) -> dict[str, object]:
    return {name: getattr(case, name) for name in Case.__dataclass_fields__}


def _case(row: object) -> Case | None:
    return Case(*row) if row is not None else None  # type: ignore[misc]
