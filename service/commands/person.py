"""`airway-relay person`: who may sign in for the pages, in the database that the environment names."""

from __future__ import annotations

import argparse
import sys

from service.access.grant import Office
from service.commands.with_pipeline import with_pipeline
from service.pipeline.access.people import People
from service.settings import Settings


def person(options: argparse.Namespace) -> int:
    """Do one thing with the registry of people."""
    return with_pipeline("airway-relay person", lambda pipeline, settings: _do(People(pipeline), options, settings))


def _do(people: People, options: argparse.Namespace, settings: Settings) -> int:
    if options.does == "add":
        offices = [Office(office) for office in options.office]
        added = people.add(
            options.name,
            offices,
            options.organisation_id,
            options.organisation_name or "",
            options.subject or "",
            settings.access.sign_in.issuer,
        )
        print(added.id)
    elif options.does == "list":
        for one in people.listed():
            state = "revoked" if one.revoked else "active"
            print(f"{one.id}  {state}  {one.offices}  {one.organisation}  {one.subject}  {one.name}")
    elif options.does == "revoke":
        people.revoke(options.person)
        print(f"{options.person} is revoked; every session ends within seconds.")
    elif not settings.links_sign_in:
        sentence = "links sign nobody in here; AIRWAY_RELAY_SIGN_IN_LINKS=yes lets them, also beyond this machine."
        print(f"airway-relay: {sentence}", file=sys.stderr)
        return 2
    else:
        print(_address(settings.public_url, people.link(options.id)))
    return 0


def _address(public_url: str, secret: str) -> str:
    return f"{public_url}/sign-in/link/{secret}"
