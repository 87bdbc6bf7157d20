"""Check the audit chains: what was changed, removed, moved or put in since it was recorded.

What cannot be told from the database alone is an end that was cut off together with its head, or a chain rewritten as a
whole: an exported head tells that. Entries written after the last exported head are guarded by the database only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from service.rules.words import count
from service.store import audit_chain
from service.store.audit_chain import AUDIT_EVENT, CHAINS, Head, hash_of
from service.store.engine import Database

Report = Callable[[str], None]


@dataclass(slots=True)
class Checked:
    """How much was looked at, and how many findings there were."""

    links: int = 0
    findings: int = 0


def ends_of(database: Database) -> list[Head]:
    """The end of every chain that has one."""
    return [head for head in database.read(audit_chain.heads) if head.number]


def check(database: Database, report: Report, exported: Sequence[Head] = ()) -> Checked:
    """Report every finding, one line each, as one moment of the database shows it; `exported` are earlier ends."""
    done = Checked()

    def found(line: str) -> None:
        done.findings += 1
        report(line)

    def work(tx: Connection) -> None:
        audit_chain.as_of_one_moment(tx)
        done.links = check_chains(tx, found, exported)

    database.read(work)
    return done


def check_chains(tx: Connection, found: Report, exported: Sequence[Head] = ()) -> int:
    """The same in a transaction that sees one moment; how many links there are."""
    ends = {head.chain: head for head in audit_chain.heads(tx)}
    known: dict[int, list[Head]] = {}
    for head in exported:
        known.setdefault(head.chain, []).append(head)
    links = 0
    for chain in sorted({*range(CHAINS), *ends, *known, *audit_chain.unknown_chains(tx)}):
        links += _check_chain(tx, chain, ends.get(chain), known.get(chain, ()), found)
    for address in audit_chain.not_linked(tx):
        found(f"{address}: is in no chain, so it was put in or changed afterwards")
    return links


def _check_chain(tx: Connection, chain: int, end: Head | None, exported: Sequence[Head], found: Report) -> int:
    """Check one chain from its beginning; how many links it has."""
    place, links = Head(chain, 0, ""), 0
    told = {head.number: head.hash for head in exported}
    for number in {head.number for head in exported if head.hash != told[head.number]}:
        found(f"chain {chain} number {number}: two exported heads tell different links")
    for link in audit_chain.links(tx, chain):
        links += 1
        at = f"chain {chain} number {link.number}"
        missing = link.number - place.number - 1
        if missing:
            found(f"chain {chain} number {place.number + 1}: {_are(missing)} missing before number {link.number}")
        if link.body is None or link.recorded is None:
            found(f"{at}: {AUDIT_EVENT}/{link.event} is not there")
        elif not missing:
            hashed = hash_of(place.hash, chain, link.number, link.event, link.recorded, link.body)
            if hashed != link.hash:
                found(f"{at}: {AUDIT_EVENT}/{link.event} or its place is not as it was recorded")
        if link.number in told and link.hash != told[link.number]:
            found(f"{at}: is not the link of the exported head; the chain was rewritten")
        place = Head(chain, link.number, link.hash)
    if end is not None and chain not in range(CHAINS):
        found(f"chain {chain} number {end.number}: the head of a chain that no release makes")
    if end is None:
        found(f"chain {chain} number {place.number}: the head of the chain is not there")
    elif end != place:
        found(f"chain {chain} number {place.number}: is the last one, and the head tells number {end.number}")
    missing = max(told, default=0) - place.number
    if missing > 0:
        found(f"chain {chain} number {place.number + 1}: {_are(missing)} missing up to the exported head")
    return links


def _are(missing: int) -> str:
    return f"{count(missing, 'link')} {'is' if missing == 1 else 'are'}"
