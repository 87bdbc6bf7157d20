"""`airway-relay organisation`: which organisations are registered, and which numbers stand for them."""

from __future__ import annotations

import argparse

from service.commands.with_database import with_existing_database
from service.commands.with_pipeline import with_pipeline
from service.fhir.build import sid
from service.pipeline.access.directory import Directory, Report, checked_number, listed, report_of
from service.rows import Number
from service.rules.words import count
from service.store.engine import Database


def organisation(options: argparse.Namespace) -> int:
    """Do one thing with the directory; 1 when it is refused, or when `check` finds something to see to."""
    if options.does == "list":
        return with_existing_database(lambda database, _: _list(database))
    if options.does == "check" and options.accept is None:
        return with_existing_database(lambda database, _: _check(report_of(database)))
    return with_pipeline("airway-relay organisation", lambda pipeline, _: _do(Directory(pipeline), options))


def _do(directory: Directory, options: argparse.Namespace) -> int:
    if options.does == "add":
        print(directory.add(options.name, options.number, options.system).reference)
    elif options.does == "bind":
        delivered = directory.bind(options.organisation, _number(options), options.sender)
        print(f"{options.number} stands for {options.organisation}; {count(delivered, 'case')} delivered.")
    elif options.does == "unbind":
        whose = directory.unbind(_number(options), options.sender)
        print(f"{options.number} does not stand for {whose} any more; what was delivered by it stays.")
    else:
        print(
            f"{count(directory.accept('' if options.accept == 'all' else options.accept), 'party', 'parties')} accepted."
        )
    return 0


def _list(database: Database) -> int:
    for one, bound in listed(database):
        print(f"{one.reference}  {one.name}")
        for b in bound:
            whose = f"  when {b.sender} uses it" if b.sender else ""
            print(f"  {b.kind}  {b.system}  {b.value}{whose}")
    return 0


def _check(report: Report) -> int:
    """One line for each thing to see to."""
    for row in report.waiting:
        number = f"{row.kind} {row.system} {row.value}" if row.value else "no number"
        print(
            f"waiting    {row.case_number}  {row.part}  {number}  since {row.since[:10]}  named by {row.sender or 'nobody'}"
        )
    for case_number, reference, part in report.suspended:
        print(f"suspended  {case_number}  {part}  {reference}")
    for one in report.idle:
        print(f"idle       {one.reference}  {one.name}: no client and no person")
    if report.is_empty:
        print("Every party of every case is bound.")
    return 0 if report.is_empty else 1


def _number(options: argparse.Namespace) -> Number:
    system = options.system or ("" if options.physician else sid("organization"))
    return checked_number("Practitioner" if options.physician else "Organization", system, options.number)
