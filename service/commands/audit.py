"""`airway-relay audit`: the chains, checked here and anchored elsewhere; emergency accesses, reviewed."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from joserfc.jwk import ECKey

from service.access.signed_head import NotUsable, key_of, public_part, read_signed, sign
from service.commands.files import complain
from service.commands.with_database import refused, with_database, with_existing_database
from service.errors import Refused
from service.fhir.dates import instant
from service.pipeline.audit_check import check, ends_of
from service.pipeline.emergency_review import review, waiting
from service.rules.words import count
from service.settings import Settings
from service.store.audit_chain import Head
from service.store.engine import Database

_KEY = "AIRWAY_RELAY_AUDIT_KEY_FILE"


def audit(options: argparse.Namespace) -> int:
    """Run one of the audit commands; 1 when something in the audit is wrong, 2 when the command cannot be run."""
    if options.what == "review":
        return with_database(lambda database, settings: _tried(_review, options, database, settings))
    work = {"head": _head, "key": _key, "verify": _verify, "emergencies": _emergencies}[options.what]
    return with_existing_database(lambda database, settings: _tried(work, options, database, settings))


def _tried(work: Any, options: argparse.Namespace, database: Database, settings: Settings) -> int:
    try:
        return work(options, database, settings)
    except NotUsable as error:
        return refused(f"{error}.")
    except Refused as error:
        complain("airway-relay audit", error)
        return 1
    except OSError as error:
        return refused(f"{error.filename}: {error.strerror}.")


def _own_key(settings: Settings) -> ECKey:
    if not settings.audit_key_file:
        raise NotUsable(f"{_KEY} names no file with a key")
    return key_of(Path(settings.audit_key_file).read_text())


class Forged(Exception):
    """A file with a head that its key did not sign; says so in one plain line."""


@dataclass(frozen=True, slots=True)
class Exported:
    """Ends of chains that were exported, and when."""

    heads: list[Head]
    times: list[str]


def read_heads(files: Sequence[str] | None, key_file: str | None, settings: Settings) -> Exported:
    """The heads in some files. Forged when one is not as it was signed; NotUsable or OSError when there is none or no key."""
    exported = Exported([], [])
    for file in files or ():
        text = Path(file).read_text()
        key = key_of(Path(key_file).read_text()) if key_file else _own_key(settings)
        try:
            held = read_signed(text, key)
            exported.heads.extend(Head(one["chain"], one["number"], one["hash"]) for one in held["chains"])
            exported.times.append(str(held["time"]))
        except (NotUsable, KeyError, TypeError):
            raise Forged(f"{file}: the signature is not of this key, or the head was changed") from None
    return exported


def _head(_options: argparse.Namespace, database: Database, settings: Settings) -> int:
    """Print the ends of the chains, signed."""
    key = _own_key(settings)
    ends = [{"chain": h.chain, "number": h.number, "hash": h.hash} for h in ends_of(database)]
    print(sign({"time": instant(datetime.now(UTC)), "chains": ends}, key))
    return 0


def _key(_options: argparse.Namespace, _database: Database, settings: Settings) -> int:
    """Print the public key that signed heads are checked with."""
    print(public_part(_own_key(settings)))
    return 0


def _emergencies(options: argparse.Namespace, database: Database, _settings: Settings) -> int:
    """Print one line per access: its id, when, by whom, about whom, why, and its review."""
    for one in waiting(database, options.all):
        about = f"{one.patient} case {one.case_number}" if one.case_number else one.patient
        reviewed = f"reviewed {one.reviewed_at} by {one.reviewed_by}: {one.note}" if one.reviewed_at else "not reviewed"
        who = f"{one.who} of {one.organisation}"
        print(f"{one.id}  {one.opened_at} to {one.expires_at}  {who}  {about}  {one.reason}  {reviewed}")
    return 0


def _review(options: argparse.Namespace, database: Database, _settings: Settings) -> int:
    review(database, options.id, options.by, options.note, datetime.now(UTC))
    print(f"{options.id} is reviewed.")
    return 0


def _verify(options: argparse.Namespace, database: Database, settings: Settings) -> int:
    """Print one line per finding and a last one that sums up."""
    try:
        exported = read_heads(options.head, options.key, settings)
    except Forged as error:
        print(error)
        return 1
    told = f" against the head of {' and of '.join(exported.times)}" if exported.times else ""
    done = check(database, print, exported.heads)
    verdict = "nothing is wrong" if not done.findings else count(done.findings, "finding")
    print(f"{count(done.links, 'link')} of the audit{told}: {verdict}.")
    return 1 if done.findings else 0
