"""`airway-relay verify`: all that is stored held against the audit and against itself, without writing anything."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable

from service import __version__
from service.access.signed_head import NotUsable
from service.commands.audit import Exported, Forged, read_heads
from service.commands.with_database import refused, with_existing_database
from service.pipeline.verify.report import Counts, Report
from service.pipeline.verify.whole import Verification
from service.rules.words import count
from service.settings import Settings
from service.store.engine import Database

_PROGRESS_EVERY_S = 5.0


def verify(options: argparse.Namespace) -> int:
    """Verify the whole database or some cases; 1 when something differs, 2 when there is no database to be read."""
    return with_existing_database(lambda database, settings: _tried(options, database, settings))


def _tried(options: argparse.Namespace, database: Database, settings: Settings) -> int:
    if options.case and options.head:
        return refused("--head is compared with the whole database, so it goes with no case number.")
    try:
        exported = read_heads(options.head, options.key, settings)
    except Forged as error:
        print(error)
        return 1
    except NotUsable as error:
        return refused(f"{error}.")
    except OSError as error:
        return refused(f"{error.filename}: {error.strerror}.")
    return _verified(options.case, database, exported)


def _verified(wanted: list[str], database: Database, exported: Exported) -> int:
    report = Report(print, _progress())
    verification = Verification(database, __version__, report)
    if wanted:
        missing = verification.some(wanted)
        if missing:
            return refused(f"there is no case {', '.join(missing)}.")
    else:
        verification.everything(exported.heads)
    _sum_up(report.counts, exported.times)
    return 1 if report.counts.findings else 0


def _progress() -> Callable[[Counts], None]:
    """Tells on standard error how far it is, every few seconds."""
    last = time.monotonic()

    def tell(counts: Counts) -> None:
        nonlocal last
        if time.monotonic() - last >= _PROGRESS_EVERY_S:
            last = time.monotonic()
            print(f"… {count(counts.cases, 'case')}, {count(counts.versions, 'version')} so far", file=sys.stderr)

    return tell


def _sum_up(counts: Counts, times: list[str]) -> None:
    """Print what could not be compared, one line each, and a last one that sums up."""
    if counts.removed:
        print(f"{count(counts.removed, 'version or message', 'versions and messages')} removed by retention.")
    if counts.uncommitted:
        print(f"{count(counts.uncommitted, 'row')} not committed to hashes (written by an earlier release).")
    if counts.not_replayed:
        print(f"{count(counts.not_replayed, 'decision')} made by other versions of the rules, not replayed.")
    if counts.of_another_shape:
        print(f"{count(counts.of_another_shape, 'case')} with facts that another release read, not compared.")
    if counts.not_recomputed:
        print(f"{count(counts.not_recomputed, 'case')} decided by another release, not decided anew.")
    if counts.not_indexed:
        print(
            f"The index of {', '.join(sorted(counts.not_indexed))} is another release's or not finished, not compared."
        )
    against = f", {count(counts.links, 'link')} against the head of {' and of '.join(times)}" if times else ""
    looked_at = [count(counts.cases, "case"), count(counts.versions, "version"), count(counts.messages, "message")]
    looked_at += [count(counts.decisions, "decision"), count(counts.entries, "audit entry", "audit entries")]
    verdict = "nothing is wrong" if not counts.findings else count(counts.findings, "finding")
    print(f"{', '.join(looked_at)}{against}: {verdict}.")
