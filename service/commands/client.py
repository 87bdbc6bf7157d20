"""`airway-relay client`: the registry of clients, in the database that the environment names."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from service.access.grant import Office
from service.commands.files import complain
from service.errors import Refused
from service.fhir.json_text import load
from service.outbound.fetch import HttpFetcher
from service.pipeline.access.registry import Registry
from service.settings import Settings, SettingsError
from service.store.clients import Client
from service.wiring import build_pipeline


def client(options: argparse.Namespace) -> int:
    """Do one thing with the registry. Keys are read as public parts alone, and never printed."""
    try:
        keys = _read(options.jwks) if getattr(options, "jwks", None) else b""
        settings = Settings.from_environment(os.environ)
        pipeline = build_pipeline(settings)
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    except OSError as error:
        print(f"{options.jwks}: {error.strerror}", file=sys.stderr)
        return 1
    except SQLAlchemyError as error:
        print(f"airway-relay: the database cannot be used ({type(error).__name__}); see DATABASE_URL.", file=sys.stderr)
        return 2
    registry = Registry(pipeline, HttpFetcher(settings.access.jwks_hosts).why_not)
    try:
        _do(registry, options, keys)
    except Refused as refused:
        complain(getattr(options, "jwks", None) or "airway-relay client", refused)
        return 1
    finally:
        pipeline.close()
    return 0


def _do(registry: Registry, options: argparse.Namespace, keys: bytes) -> None:
    if options.does == "add":
        added = registry.add(
            options.name,
            [Office(office) for office in options.office],
            options.organisation_id,
            options.organisation_name,
            options.scope,
            keys,
            options.jwks_url or "",
            options.id or "",
        )
        print(added.id)
    elif options.does == "list":
        for one in registry.listed():
            print(f"{one.id}  {'revoked' if one.revoked else 'active'}  {one.offices}  {one.organisation}  {one.name}")
    elif options.does == "show":
        print("\n".join(_lines(registry.client(options.client))))
    elif options.does == "revoke":
        registry.revoke(options.client)
        print(f"{options.client} is revoked; its tokens are refused within seconds.")
    else:
        print("\n".join(_lines(registry.replace_keys(options.client, keys, options.jwks_url or ""))))


def _lines(client: Client) -> list[str]:
    kids = [key["kid"] for key in load(client.keys)["keys"]] if client.keys else []
    return [
        f"id            {client.id}",
        f"name          {client.name}",
        f"state         {'revoked' if client.revoked else 'active'}",
        f"offices       {client.offices}",
        f"organisation  {client.organisation}",
        f"scopes        {client.scopes}",
        f"keys          {client.keys_url or ' '.join(kids) or 'none here: another authorisation server knows them'}",
        f"added         {client.added_at}",
        f"changed       {client.changed_at}",
    ]


def _read(name: str) -> bytes:
    return sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
