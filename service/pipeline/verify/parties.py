"""Who is a party to a case, and who sees or wrote what is of no case, held against the entries that told so."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence

from sqlalchemy import Connection

from service.fhir.audit_commitment import SEES, WROTE
from service.pipeline.verify.entries import AuditEntry, entries_of
from service.pipeline.verify.report import Report
from service.pipeline.verify.tally import Marks, Tally
from service.store import parties, verify_reads


def check_parties_of_case(tx: Connection, case_number: str, entries: Sequence[AuditEntry], report: Report) -> None:
    """The parties are those that the entries added; of a case that an earlier release opened there may be others."""
    told = {one for entry in entries if entry.commits for one in entry.commits.parties}
    kept = {f"{part} {organisation}" for organisation, part in parties.of_case(tx, case_number)}
    for one in sorted(told - kept):
        report.found(f"case_party {case_number} {one}", "is not there")
    extra = sorted(kept - told)
    if any(entry.commits is None and entry.is_write for entry in entries):
        report.counts.uncommitted += len(extra)
        return
    for one in extra:
        report.found(f"case_party {case_number} {one}", "is in no entry of the audit, so it was put in")


def check_seen(tx: Connection, earlier: Marks, report: Report) -> None:
    """Whoever sees or wrote a resource of no case is told by an entry; of resources of earlier releases that is not known."""
    tally = Tally()
    for key in _told(tx, earlier, report):
        tally.add(key)
    for key in _kept(tx, earlier, lambda: _count_one(report)):
        tally.take(key)
    if tally.is_even:
        return
    told = Counter(key for key in _told(tx, earlier, report) if tally.is_doubtful(key))
    kept = Counter(key for key in _kept(tx, earlier, lambda: None) if tally.is_doubtful(key))
    for key in sorted(told.keys() | kept.keys()):
        if told[key] > kept[key]:
            report.found(f"resource_party {key}", "is not there as the audit tells it")
        elif kept[key] > told[key]:
            report.found(f"resource_party {key}", "is in no entry of the audit, so it was put in or changed")


def _count_one(report: Report) -> None:
    report.counts.uncommitted += 1


def _told(tx: Connection, earlier: Marks, report: Report) -> Iterator[str]:
    """What entries tell of resources that are still there, as `sees` or `wrote` and type, id and organisation."""
    silent = Report(lambda line: None)
    for page in verify_reads.entries(tx, holding=[f'"type":"{kind}"' for kind in (SEES, WROTE)]):
        found: list[tuple[str, str]] = []
        for entry in entries_of(page, silent):
            if entry.commits is not None:
                found += [(SEES, one) for one in entry.commits.sees] + [(WROTE, one) for one in entry.commits.wrote]
        yield from _still_there(tx, found, earlier)
    report.goes_on()


def _still_there(tx: Connection, found: Sequence[tuple[str, str]], earlier: Marks) -> Iterator[str]:
    addresses = {said.split(" ")[0] for _, said in found}
    there = verify_reads.there_are(tx, [(a.partition("/")[0], a.partition("/")[2]) for a in sorted(addresses)])
    for kind, said in found:
        address = said.split(" ")[0]
        name, _, key = address.partition("/")
        if (name, key) in there and address not in earlier:
            yield f"{kind} {said}"


def _kept(tx: Connection, earlier: Marks, on_earlier: Callable[[], None]) -> Iterator[str]:
    for page in verify_reads.seen(tx):
        for kind, name, organisation, wrote in page:
            address = f"{kind}/{name}"
            if address in earlier:
                on_earlier()
                continue
            yield f"{SEES} {address} {organisation}"
            if wrote:
                yield f"{WROTE} {address} {organisation}"
