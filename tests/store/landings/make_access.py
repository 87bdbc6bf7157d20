"""Makes a database of the landing before the governed directory, with access control on and one takeover in it.

Run it inside a work tree of commit 09af4e0, with what that landing needs installed:

    python <this folder>/make_access.py <file to write>.db.xz

Two trios of offices tell a case each. Then an office puts a number that is nobody's on its own record and receives a
referral to it, and the operator registers the office whose number it really is: the client lands at the other's record.
"""

from __future__ import annotations

import lzma
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path.cwd()))

from service.access.grant import Office
from service.fhir.build import sid
from service.fhir.json_text import load
from service.pipeline.access.registry import Registry
from service.settings import Settings
from service.wiring import build_pipeline
from tests.access.world import world
from tests.conftest import Clock

SCOPES = ("system/*.cruds",)


def make(folder: Path) -> bytes:
    """The content of the database."""
    url = f"sqlite:///{folder}/relay.db"
    clock = Clock(datetime(2026, 11, 20, 9, tzinfo=UTC))
    registry = Registry(build_pipeline(Settings(database_url=url), clock=clock), lambda _url: "")
    for number, office in _offices():
        registry.add(f"{number} system", [office], number, f"Office {number}", SCOPES, client_id=f"client-{number}")
    with world(url, clock) as told:
        taken = "dental-honest"
        own = told.organisation("dental-west")
        held = load(told.ask("dental-west", "GET", f"/fhir/{own}").text)
        more = {**held, "identifier": [*held["identifier"], {"system": sid("organization"), "value": taken}]}
        etag = {"If-Match": f'W/"{held["meta"]["versionId"]}"'}
        assert told.ask("dental-west", "PUT", f"/fhir/{own}", more, **etag).status_code == 200
        referral = replace(told.here, number="99", family="Greywater").referral()
        referral["dental_office"] = {"id": taken, "name": "Honest dentists"}
        assert told.ask("lab-east", "POST", "/intake/referrals", referral).status_code == 201
    dentist = Office.DENTAL_OFFICE
    registry.add("honest system", [dentist], taken, "Honest dentists", SCOPES, client_id="client-honest")
    registry._pipeline.close()
    return (folder / "relay.db").read_bytes()


def _offices() -> list[tuple[str, Office]]:
    kinds = (("lab", Office.SLEEP_LAB), ("dental", Office.DENTAL_OFFICE), ("medical", Office.PHYSICIAN))
    return [(f"{name}-{where}", office) for where in ("east", "west") for name, office in kinds]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        content = make(Path(folder))
    Path(sys.argv[1]).write_bytes(lzma.compress(content, preset=9))
    print(len(content), "bytes")
