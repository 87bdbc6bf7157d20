"""Who is a party to a case, and who sees or wrote what is of no case. Organisations are `Organization/id`."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection, exists, select, update

from service.store import query
from service.store.prepared import add_rows
from service.store.query import CASES, PARTIES, SEEN

PLACER, FULFILLER, LAB = "placer", "fulfiller", "lab"
"""As what an organisation is a party: the physician's, the dental office's, a laboratory's."""
_P, _R = PARTIES.c, SEEN.c
Key = tuple[str, str]


def parts(connection: Connection, case_number: str, organisation: str) -> frozenset[str]:
    """As what an organisation is a party to a case; empty when it is none."""
    held = select(_P.part).where(_P.case_number == case_number, _P.organisation == organisation)
    return frozenset(connection.execute(held).scalars())


def of_case(connection: Connection, case_number: str) -> set[tuple[str, str]]:
    """The parties of a case, as (organisation, part)."""
    held = select(_P.organisation, _P.part).where(_P.case_number == case_number)
    return {(r.organisation, r.part) for r in connection.execute(held)}


def fulfiller(connection: Connection, case_number: str, asked_of: str) -> str:
    """The dental office that acts in a case: the party its referral is asked of, where that is known; empty for none.

    One that the referral was asked of before stays a party, which reads what it did, and acts no more.
    """
    held = {o for o, part in of_case(connection, case_number) if part == FULFILLER}
    return min((o for o in held if asked_of in ("", o)), default="")


def cases_of(connection: Connection, organisation: str, numbers: Iterable[str]) -> set[str]:
    """Those of some cases to which an organisation is a party."""
    own = select(_P.case_number).where(_P.organisation == organisation, _P.case_number.in_(list(numbers)))
    return set(connection.execute(own).scalars())


def add(connection: Connection, case_number: str, parties: Iterable[tuple[str, str]]) -> set[tuple[str, str]]:
    """Add parties to a case; those that were new."""
    new = set(parties) - of_case(connection, case_number)
    if new:
        rows = [{"case_number": case_number, "organisation": o, "part": part} for o, part in sorted(new)]
        add_rows(connection, PARTIES, rows)
    return new


def without(connection: Connection, limit: int) -> list[str]:
    """Numbers of cases whose parties are not on record yet."""
    known = exists().where(_P.case_number == CASES.c.case_number)
    return list(
        connection.execute(query.rows(connection, CASES, CASES.c.case_number).where(~known).limit(limit)).scalars()
    )


def tell(
    connection: Connection, keys: Iterable[Key], organisation: str, wrote: bool = False
) -> tuple[list[Key], list[Key]]:
    """Let an organisation see resources (type, id) of no case; with `wrote`, as the one that wrote them.

    Those that it sees from now on, and those that it counts as the writer of from now on.
    """
    wanted = list(dict.fromkeys(keys))
    if not wanted:
        return [], []
    of_both = (query.among(wanted, _R.type, _R.id), _R.organisation == organisation)
    known = {(r.type, r.id): r.wrote for r in connection.execute(select(_R.type, _R.id, _R.wrote).where(*of_both))}
    new = [{"type": t, "id": i, "organisation": organisation, "wrote": wrote} for t, i in wanted if (t, i) not in known]
    if new:
        add_rows(connection, SEEN, new)
    if wrote and not all(known.values()):
        connection.execute(update(SEEN).where(*of_both).values(wrote=True))
    return [key for key in wanted if key not in known], [k for k in wanted if wrote and not known.get(k)]


def writers_of(connection: Connection, key: Key) -> set[str]:
    """The organisations that wrote a resource of no case; empty when that was while access control was off."""
    held = select(_R.organisation).where(_R.type == key[0], _R.id == key[1], _R.wrote.is_(True))
    return set(connection.execute(held).scalars())


def written_by(connection: Connection, organisation: str, keys: Iterable[Key]) -> set[Key]:
    """Those of the resources that an organisation wrote."""
    own = select(_R.type, _R.id).where(
        query.among(keys, _R.type, _R.id), _R.organisation == organisation, _R.wrote.is_(True)
    )
    return {(r.type, r.id) for r in connection.execute(own)}
