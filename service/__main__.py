"""The command line: `airway-relay serve | deliver | organisation | client | person | key | demo | decide | check | rules | …`.

Each command imports what it needs itself.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from service.commands.access_options import add_access_commands
from service.commands.audit_options import add_audit_commands


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit status: 0 well, 1 the input is refused, 2 the call or a setting is wrong."""
    options = _parser().parse_args(arguments)
    try:
        return _run(options)
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        return 130


def _run(options: argparse.Namespace) -> int:
    if options.command == "serve":
        from service.commands.serve import serve

        return serve()
    if options.command == "deliver":
        from service.commands.deliver import deliver

        return deliver()
    if options.command == "client":
        from service.commands.client import client

        return client(options)
    if options.command == "organisation":
        from service.commands.organisation import organisation

        return organisation(options)
    if options.command == "person":
        from service.commands.person import person

        return person(options)
    if options.command == "key":
        from service.commands.key import rotate_keys

        return rotate_keys()
    if options.command == "demo":
        from service.demo.play import play

        return play(once=options.once, port=options.port)
    if options.command == "decide":
        from service.commands.decide import decide

        return decide(options.file, options.as_of, options.json, options.site)
    if options.command == "rules":
        from service.commands.rules import rules

        return rules(options.site)
    if options.command == "rehearse":
        from service.commands.rehearse import rehearse_policy

        return rehearse_policy(options)
    if options.command == "replay":
        from service.commands.replay import replay_decisions

        return replay_decisions(options.case)
    if options.command == "rebuild":
        from service.commands.rebuild import rebuild

        return rebuild()
    if options.command == "upgraded":
        from service.commands.upgraded import list_upgraded

        return list_upgraded()
    if options.command == "audit":
        from service.commands.audit import audit

        return audit(options)
    if options.command == "verify":
        from service.commands.verify import verify

        return verify(options)
    if options.command == "record":
        from service.commands.record import keep_record

        return keep_record(options)
    from service.commands.check import check

    return check(options.file)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="airway-relay",
        description="A FHIR R4 service between sleep physicians and dentists who treat sleep apnoea with an oral "
        "appliance. Decision support, not a diagnosis: licensed judgement and local rules decide.",
    )
    parser.add_argument("--version", action="version", version=_version())
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    commands.add_parser("serve", help="run the service, set by the environment; SIGINT or SIGTERM ends it, status 0")
    commands.add_parser("deliver", help="send notices apart from the service, from the same database")
    add_access_commands(commands)
    demo = commands.add_parser(
        "demo", help="play an invented scenario through the real API here; SIGINT or SIGTERM ends it, status 0"
    )
    demo.add_argument(
        "--once", action="store_true", help="play, print and exit; a signal n before the end gives status 128+n"
    )
    demo.add_argument("--port", type=int, default=0, help="loopback port (default: a free one)")
    decide = commands.add_parser("decide", help="decide a case given as a file, without any database")
    decide.add_argument("file", help="a case as JSON, or a FHIR Bundle; - reads standard input")
    decide.add_argument("--as-of", metavar="DAY", help="the day to decide for, e.g. 2026-10-04 (default: today)")
    decide.add_argument("--site", metavar="FILE", help="a site's TOML file with thresholds of its own")
    decide.add_argument("--json", action="store_true", help="print the decision as JSON")
    rules = commands.add_parser("rules", help="print every threshold with its range, mark and source")
    rules.add_argument("--site", metavar="FILE", help="a site's TOML file with thresholds of its own")
    check = commands.add_parser("check", help="validate a FHIR resource or every resource of a Bundle")
    check.add_argument("file", help="a resource or Bundle as JSON; - reads standard input")
    again = commands.add_parser("replay", help="make stored decisions anew and compare them, byte for byte")
    again.add_argument("case", nargs="*", metavar="CASE", help="case numbers (default: every case of the database)")
    commands.add_parser("rebuild", help="make facts, decisions, case rows and search index anew from the resources")
    commands.add_parser("upgraded", help="list the cases whose decision changed when this release read the facts anew")
    add_audit_commands(commands)
    record = commands.add_parser("record", help="write out one patient's record, or remove cases past their retention")
    kinds = record.add_subparsers(dest="what", required=True, metavar="WHAT")
    export = kinds.add_parser("export", help="everything of one patient, as a FHIR Bundle in a new file")
    export.add_argument("file", help="the new file")
    export.add_argument("--patient", metavar="ID", required=True, help="the id of the Patient")
    expire = kinds.add_parser("expire", help="cases closed before a day: list them, or remove them")
    expire.add_argument("--before", metavar="DAY", required=True, help="the day, e.g. 2016-10-04")
    expire.add_argument("--delete", action="store_true", help="remove them; without it they are only listed")
    expire.add_argument("--reason", metavar="TEXT", help="why they are removed, for the audit")
    rehearsal = commands.add_parser("rehearse", help="try a set of thresholds on simulated patients (not evidence)")
    rehearsal.add_argument("--thresholds", metavar="A.toml", help="set A (default: the service's own thresholds)")
    rehearsal.add_argument("--compare", metavar="B.toml", help="set B, tried on the same simulated patients")
    rehearsal.add_argument("--cases", type=int, default=1000, metavar="N", help="simulated patients (default 1000)")
    rehearsal.add_argument("--seed", type=int, default=1, metavar="N", help="another seed, other patients (default 1)")
    rehearsal.add_argument(
        "--weeks", type=int, default=52, metavar="N", help="weeks that a case is followed (default 52)"
    )
    rehearsal.add_argument("--processes", type=int, metavar="N", help="default: one for each processor; same result")
    rehearsal.add_argument("--json", action="store_true", help="print the result as JSON")
    rehearsal.add_argument("--picture", metavar="FILE.svg", help="also draw the result into this file")
    rehearsal.add_argument("--parameters", action="store_true", help="print every number of the model and its source")
    return parser


def _version() -> str:
    from service import __version__

    return f"airway-relay {__version__}"


if __name__ == "__main__":
    sys.exit(main())
