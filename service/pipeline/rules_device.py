"""The Device that stands for the rules of this release and its site's thresholds, as a resource that decisions name."""

from __future__ import annotations

from sqlalchemy import Connection

from service.deciding.commitments import commitment, touched_by
from service.deciding.versions import as_version, same_content
from service.fhir.audit_event import Asker, Interaction, audit_event
from service.fhir.engine import ENGINE_ID, rule_engine
from service.new_id import new_id
from service.rows import nobodys
from service.rules.site import Site
from service.rules.source import Source
from service.store import resources


def kept_engine(tx: Connection, version: str, site: Site, now: str) -> Source:
    """The version of the Device on record; written unless its last one says the same."""
    held = resources.current(tx, "Device", ENGINE_ID)
    body = rule_engine(version, site)
    if held is not None and same_content(held.body, body):
        return Source(f"Device/{ENGINE_ID}", held.version)
    row = as_version(body, ENGINE_ID, held.version + 1 if held else 1, "", now)
    commits = commitment([row], None)
    done = Interaction("operation", new_id(), "rules put on record", touched_by([row]), commits=commits)
    audit, event = audit_event(done, Asker(), now), new_id()
    resources.append_versions(tx, [row, as_version(audit, event, 1, nobodys(event), now)])
    return Source(f"Device/{ENGINE_ID}", row.version)
