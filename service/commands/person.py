"""`airway-relay person`: who may sign in for the pages, in the database that the environment names."""

from __future__ import annotations

import argparse
import os
import sys

from sqlalchemy.exc import SQLAlchemyError

from service.access.grant import Office
from service.commands.files import complain
from service.errors import Refused
from service.pipeline.access.people import People
from service.settings import Settings, SettingsError
from service.wiring import build_pipeline


def person(options: argparse.Namespace) -> int:
    """Do one thing with the registry of people."""
    try:
        settings = Settings.from_environment(os.environ)
        pipeline = build_pipeline(settings)
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    except SQLAlchemyError as error:
        print(f"airway-relay: the database cannot be used ({type(error).__name__}); see DATABASE_URL.", file=sys.stderr)
        return 2
    try:
        return _do(People(pipeline), options, settings)
    except Refused as refused:
        complain("airway-relay person", refused)
        return 1
    finally:
        pipeline.close()


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
