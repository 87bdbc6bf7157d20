"""No token, assertion, key or file of keys is ever in a log line or in an answer that refuses (our own rule)."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from service.fhir.json_text import load
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.web.log_lines import JsonLines
from tests.access.clients import bearer, ec_key, register, served, signed
from tests.conftest import Clock
from tests.outbound.receiver import receiving


def test_nothing_secret_is_logged_or_told(
    sqlite_pipeline: Pipeline, tmp_path: Path, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    key, planted = ec_key("kid-planted-1"), "planted-7f3a"
    answers: list[str] = []
    with (
        receiving() as keeper,
        served(sqlite_pipeline, tmp_path, jwks_hosts=Egress("127.0.0.1", on_loopback=True)) as service,
    ):
        asking = register(sqlite_pipeline, key)
        by_url = register(sqlite_pipeline, key, keys_url=f"{keeper.url}/{planted}")
        good = asking.assertion(jti=f"jti-{planted}")
        token = service.post("/token", data=asking.form(good)).json()["access_token"]
        wrong = [
            asking.assertion(aud=planted),
            asking.assertion(exp=1),
            signed(asking.header(kid=planted), asking.claims(), key),
            signed(asking.header(), asking.claims(), ec_key("kid-planted-1")),
            good,
            planted,
        ]
        answers += [service.post("/token", data=asking.form(a, scope=planted)).text for a in wrong]
        answers.append(service.post("/token", data=by_url.form()).text)
        answers.append(service.post("/token", data=asking.form(scope=planted)).text)
        answers += [service.post(p, data=asking.form(token=token)).text for p in ("/revoke",)]
        for held in (token, planted, f"{token}x", good):
            answers.append(service.get("/cases", headers=bearer(held)).text)
            answers.append(service.get(f"/cases?access_token={held}", headers={"Authorization": held}).text)
        (tmp_path / "keys.json").chmod(0o644)
        clock.move(seconds=5)
        service.get("/cases", headers=bearer(asking.token(service)))
        private = load((tmp_path / "keys.json").read_text())["keys"][0]["d"]
    # httpx is the client of this test, not the service
    form = JsonLines()
    logged = "\n".join(form.format(r) for r in caplog.records if r.name != "httpx")
    told = logged + "".join(answers)
    assert '"route":"/token"' in logged.replace(": ", ":") and "key file" in logged
    secrets = [planted, token, token.split(".")[1], token.split(".")[2], private, key.as_dict(private=True)["d"]]
    secrets += [part for assertion in (*wrong, good) for part in assertion.split(".")[1:]]
    for secret in secrets:
        assert str(secret) not in told
