"""`airway-relay client`: the registry of clients, in the database that the environment names."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from service.access.grant import Office
from service.commands.with_pipeline import with_pipeline
from service.fhir.json_text import load
from service.outbound.fetch import HttpFetcher
from service.pipeline import Pipeline
from service.pipeline.access.registry import Registry
from service.settings import Settings
from service.store.clients import Client


def client(options: argparse.Namespace) -> int:
    """Do one thing with the registry. Keys are read as public parts alone, and never printed."""
    file = getattr(options, "jwks", None)
    try:
        keys = _read(file) if file else b""
    except OSError as error:
        print(f"{file}: {error.strerror}", file=sys.stderr)
        return 1

    def work(pipeline: Pipeline, settings: Settings) -> int:
        _do(Registry(pipeline, HttpFetcher(settings.access.jwks_hosts).why_not), options, keys)
        return 0

    return with_pipeline(file or "airway-relay client", work)


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
