"""`airway-relay person`, the links that `serve` prints, and what of the settings is refused (our own, no source)."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from service.pipeline.access.people import People
from service.settings import Settings
from service.store.people import Person
from service.wiring import build_pipeline
from tests.access.test_commands import Operator
from tests.conftest import Service
from tests.servers import free_port

ROOT = Path(__file__).parents[2]
ISSUER = {"AIRWAY_RELAY_OIDC_ISSUER": "https://login.example/sleep", "AIRWAY_RELAY_JWKS_HOSTS": "login.example"}
OPEN_ID = {**ISSUER, "AIRWAY_RELAY_OIDC_CLIENT_ID": "relay", "AIRWAY_RELAY_OIDC_CLIENT_SECRET_FILE": "secret"}
OUTSIDE = {
    "AIRWAY_RELAY_ACCESS": "on",
    "AIRWAY_RELAY_HOST": "0.0.0.0",
    "AIRWAY_RELAY_PUBLIC_URL": "https://relay.example",
    "AIRWAY_RELAY_PROXIES": "10.0.0.1",
}
USUAL = ("--name", "Robin Marsh", "--office", "dental-office", "--organisation-id", "dent-9")


@pytest.fixture
def operator(tmp_path: Path) -> Operator:
    return Operator(tmp_path)


def held(operator: Operator) -> list[Person]:
    pipeline = build_pipeline(Settings(database_url=operator.url))
    found = People(pipeline).listed()
    pipeline.close()
    return found


def test_a_person_is_added_listed_and_revoked(operator: Operator) -> None:
    unknown = operator("person", "add", *USUAL)
    assert (unknown.returncode, unknown.stdout) == (1, "")
    assert "No organisation is registered under «dent-9»" in unknown.stderr
    first = operator("person", "add", *USUAL, "--organisation-name", "Dental office", "--office", "physician")
    assert (first.returncode, first.stderr) == (0, "")
    by_subject = operator("person", "add", *USUAL, "--subject", "sub-1", **OPEN_ID)
    assert (by_subject.returncode, by_subject.stderr) == (0, "")
    one, two = held(operator)
    assert one.id == one.subject == first.stdout.strip() and one.issuer == ""
    assert (two.issuer, two.subject) == ("https://login.example/sleep", "sub-1")
    assert one.organisation == two.organisation
    again = operator("person", "add", *USUAL, "--subject", "sub-1", **OPEN_ID)
    assert again.returncode == 1 and "registered already" in again.stderr
    orphan = operator("person", "add", *USUAL, "--subject", "sub-2")
    assert orphan.returncode == 1 and "AIRWAY_RELAY_OIDC_ISSUER" in orphan.stderr
    listed = operator("person", "list").stdout.splitlines()
    assert listed[0] == f"{one.id}  active  dental-office physician  {one.organisation}  {one.id}  Robin Marsh"
    assert operator("person", "revoke", one.id).returncode == 0
    assert "revoked" in operator("person", "list").stdout.splitlines()[0]
    assert operator("person", "revoke", "nobody").returncode == 1
    assert operator("person", "link", "--id", one.id).returncode == 1


def test_links_are_made_for_this_machine_alone_unless_the_operator_says_so(operator: Operator) -> None:
    person = operator("person", "add", *USUAL, "--organisation-name", "Dental office").stdout.strip()
    made = operator("person", "link", "--id", person)
    assert re.fullmatch(r"http://127\.0\.0\.1:8080/sign-in/link/[A-Za-z0-9_-]{43}\n", made.stdout)
    for environment in (OUTSIDE, OPEN_ID, {"AIRWAY_RELAY_PUBLIC_URL": "https://relay.example"}):
        refused = operator("person", "link", "--id", person, **environment)
        assert refused.returncode == 2 and refused.stdout == ""
        assert "AIRWAY_RELAY_SIGN_IN_LINKS=yes" in refused.stderr
        allowed = operator("person", "link", "--id", person, **environment, AIRWAY_RELAY_SIGN_IN_LINKS="yes")
        assert allowed.returncode == 0 and "/sign-in/link/" in allowed.stdout


def test_the_service_prints_no_link_by_itself_and_logs_none(operator: Operator) -> None:
    person = operator("person", "add", *USUAL, "--organisation-name", "Dental office").stdout.strip()
    keys = {"AIRWAY_RELAY_ACCESS": "on", "AIRWAY_RELAY_KEY_FILE": f"{operator.folder}/keys.json"}
    service = Service(operator.url, free_port(), keys)
    environment = {**os.environ, "DATABASE_URL": operator.url, "AIRWAY_RELAY_PORT": str(service.port), **keys}
    with subprocess.Popen(
        [sys.executable, "-m", "service", "serve"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as process:
        link = operator("person", "link", "--id", person, **environment).stdout.strip()
        assert link.startswith(f"{service.address}/sign-in/link/"), link
        with httpx.Client(transport=httpx.HTTPTransport(retries=5)) as browser:
            page = browser.get(link)
            fields = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', page.text))
            answer = browser.post(f"{service.address}/sign-in/link", data=fields)
            assert (answer.status_code, answer.headers["location"]) == (303, "/")
            assert "Robin Marsh" in browser.get(f"{service.address}/").text
        process.terminate()
        printed, logged = process.communicate(timeout=30)
    assert printed == "" and '"route"' in logged
    assert "/sign-in/link/" not in printed and link.rsplit("/", 1)[1] not in logged
