"""What `airway-relay organisation`, `client`, `person` and `key` take; nothing here needs the database."""

from __future__ import annotations

import argparse
from typing import Any

from service.access.grant import Office


def add_access_commands(commands: Any) -> None:
    """Add the commands to those of the command line."""
    _add_organisation(commands)
    client = commands.add_parser("client", help="register, list, show and revoke clients, and change their keys")
    does = client.add_subparsers(dest="does", required=True, metavar="ACTION")
    add = does.add_parser("add", help="register a client and print its id")
    add.add_argument("--name", required=True, help="what people call it")
    _office_of(add, "what kind of office it works for; give it again for another")
    add.add_argument("--organisation-id", required=True, help="the number its partners know the organisation by")
    add.add_argument("--organisation-name", default="", help="its name; registers it, when its number is not bound yet")
    add.add_argument(
        "--scope", required=True, action="append", help="e.g. system/Observation.rs; give it again for more"
    )
    keys = _keys_of(add)
    keys.add_argument("--id", help="no keys: its id at the authorisation server that AIRWAY_RELAY_ISSUER names")
    does.add_parser("list", help="every client, one a line")
    for name, text in (("show", "everything that is kept of a client"), ("revoke", "end a client's access for good")):
        does.add_parser(name, help=text).add_argument("client", help="the client's id")
    change = does.add_parser("keys", help="replace a client's keys")
    change.add_argument("client", help="the client's id")
    _keys_of(change)
    _add_person(commands)
    key = commands.add_parser("key", help="change the service's own signing keys")
    actions = key.add_subparsers(dest="does", required=True, metavar="ACTION")
    actions.add_parser("rotate", help="sign with a new key from now on")


def _add_organisation(commands: Any) -> None:
    organisation = commands.add_parser("organisation", help="register organisations, and bind the numbers they go by")
    does = organisation.add_subparsers(dest="does", required=True, metavar="ACTION")
    add = does.add_parser("add", help="register an organisation under its number and print its reference")
    add.add_argument("--name", required=True, help="its name, which only the operator changes")
    add.add_argument("--number", required=True, help="the number its partners know it by")
    add.add_argument(
        "--system", default="", help="the identifier system of the number (default: that of plain messages)"
    )
    does.add_parser("list", help="every organisation with the numbers bound to it")
    for name, text in (("bind", "let one more number stand for an organisation"), ("unbind", "take a binding back")):
        action = does.add_parser(name, help=text)
        if name == "bind":
            action.add_argument("organisation", help="its reference, as organisation list shows it")
        action.add_argument("--number", required=True, help="the number")
        action.add_argument(
            "--system",
            default="",
            help="its identifier system (default: that of plain messages; needed with --physician)",
        )
        action.add_argument("--sender", default="", help="only when this organisation uses it (default: whoever does)")
        action.add_argument("--physician", action="store_true", help="the number is that of a person who acts for it")
    check = does.add_parser("check", help="list parties that wait for a binding or are suspended")
    check.add_argument(
        "--accept", metavar="CASE", help="make the suspended parties of a case, or of `all`, parties again"
    )


def _add_person(commands: Any) -> None:
    person = commands.add_parser("person", help="register, list and revoke people who sign in for the pages")
    does = person.add_subparsers(dest="does", required=True, metavar="ACTION")
    add = does.add_parser("add", help="register a person and print the id")
    add.add_argument("--name", required=True, help="the name that the pages show")
    add.add_argument(
        "--subject", help="as whom the sign-in service knows the person (left out: signs in by link alone)"
    )
    _office_of(add, "for what kind of office the person works; give it again for another")
    add.add_argument("--organisation-id", required=True, help="the number its partners know the organisation by")
    add.add_argument("--organisation-name", help="its name; registers it, when its number is not bound yet")
    does.add_parser("list", help="every person, one a line")
    revoke = does.add_parser("revoke", help="end a person's access for good, with every session")
    revoke.add_argument("person", help="the person's id")
    link = does.add_parser("link", help="print a link that signs a person in once, within ten minutes")
    link.add_argument("--id", required=True, help="the person's id")


def _office_of(parser: Any, text: str) -> None:
    offices = [office.value for office in Office]
    parser.add_argument("--office", required=True, action="append", choices=offices, help=text)


def _keys_of(parser: argparse.ArgumentParser) -> Any:
    """The ways to give keys, of which one is taken."""
    keys = parser.add_mutually_exclusive_group(required=True)
    keys.add_argument("--jwks", metavar="FILE", help="its public keys as a JSON Web Key Set; - reads standard input")
    keys.add_argument("--jwks-url", metavar="URL", help="where it keeps them, on a host of AIRWAY_RELAY_JWKS_HOSTS")
    return keys
