"""With access control on, a check-in link needs no token, opens nothing else, and leaves no trace of its secret."""

from __future__ import annotations

from base64 import b64decode
from pathlib import Path

import pytest
from sqlalchemy import text

from service.access.grant import OPEN
from service.new_id import new_id
from service.pipeline import Pipeline, check_in_links
from service.settings import Settings, SettingsError
from tests.access.clients import served
from tests.store.messages import opened_case, settled_course

ANSWERS = {"snoring_0_to_10": "3", "restedness_0_to_10": "7", "nights_reported": "7", "nights_worn": "6"}


def _audit(pipeline: Pipeline) -> str:
    """Every entry of the audit, with what stands in it in base64."""
    assert pipeline.read_audit.flush(10)
    with pipeline.database.engine.connect() as connection:
        held = connection.execute(text("SELECT body FROM resource_version WHERE type = 'AuditEvent'")).scalars().all()
    return " ".join([*held, *(_decoded(part) for body in held for part in body.split('"'))])


def _decoded(part: str) -> str:
    try:
        return b64decode(part, validate=True).decode()
    except ValueError:
        return ""


def test_a_link_needs_no_token_and_everything_else_does(sqlite_pipeline: Pipeline, tmp_path: Path) -> None:
    number = opened_case(sqlite_pipeline, settled_course())
    secret = check_in_links.make(sqlite_pipeline, OPEN, number, 14, new_id()).secret
    with served(sqlite_pipeline, tmp_path) as service:
        path = f"/check-in/{secret}"
        assert service.get(path).status_code == 200
        assert "Thank you" in service.post(path, data=ANSWERS).text
        assert {service.get(p).status_code for p in ("/style.css", "/icon.svg")} == {200}
        others = ("page", "letter", "letter.pdf", "sheet", "sheet.pdf", "check-in-link")
        for address in (*(f"/cases/{number}/{p}" for p in others), f"{path}/../../cases/{number}/page"):
            answer = service.get(address, follow_redirects=False)
            assert (answer.status_code, answer.headers["location"][:9]) == (303, "/sign-in?"), address
        for address in (f"/fhir/CarePlan/{number}/$letter", "/check-in", f"/cases/{number}"):
            assert service.get(address).status_code == 401, address
        assert service.post(f"/intake/cases/{number}/check-in-links").status_code == 401
    assert secret not in _audit(sqlite_pipeline)


def test_a_link_opened_without_tls_is_refused_and_not_kept(sqlite_pipeline: Pipeline, tmp_path: Path) -> None:
    number = opened_case(sqlite_pipeline, settled_course())
    secret = check_in_links.make(sqlite_pipeline, OPEN, number, 14, new_id()).secret
    with served(sqlite_pipeline, tmp_path, public_url="https://relay.example") as service:
        assert service.get(f"/check-in/{secret}").status_code == 403
    told = _audit(sqlite_pipeline)
    assert "GET /check-in/{token}" in told and secret not in told


def test_the_days_of_a_link_are_set_within_limits() -> None:
    name = "AIRWAY_RELAY_CHECK_IN_LINK_DAYS"
    assert Settings.from_environment({}).check_in_link_days == 14
    assert Settings.from_environment({name: "60"}).check_in_link_days == 60
    for days in ("0", "61", "a week", "-1"):
        with pytest.raises(SettingsError, match=name):
            Settings.from_environment({name: days})
