"""Assertions that must not be believed, and what the token endpoint answers.

Sources: SMART App Launch 2.2.0, «Client Authentication: Asymmetric» (client-confidential-asymmetric.html) and «Backend
Services»; RFC 6749 section 5.2 and RFC 7523 section 3 for the errors; RFC 8725 for confused algorithms and keys.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.pipeline import Pipeline
from service.pipeline.access.registry import Registry
from service.store import clients
from tests.access.clients import (
    SCOPES,
    TestedClient,
    bearer,
    by_ec,
    ec_key,
    handmade,
    hmac_by,
    public_set,
    register,
    rsa_key,
    served,
    signed,
)
from tests.conftest import Clock

RSA, EC, STRANGE = rsa_key(), ec_key(), ec_key()


@pytest.fixture
def service(sqlite_pipeline: Pipeline, tmp_path: Path) -> Iterator[TestClient]:
    with served(sqlite_pipeline, tmp_path) as found:
        yield found


@pytest.fixture
def asking(sqlite_pipeline: Pipeline) -> TestedClient:
    return register(sqlite_pipeline, EC)


@pytest.mark.parametrize("key", [RSA, EC], ids=["RS384", "ES384"])
def test_a_good_assertion_gets_a_token(service: TestClient, sqlite_pipeline: Pipeline, key: Any) -> None:
    asking = register(sqlite_pipeline, key)
    answer = service.post("/token", data=asking.form())
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    body = answer.json()
    assert (body["token_type"], body["scope"]) == ("bearer", " ".join(SCOPES))
    assert 0 < body["expires_in"] <= 300
    assert service.get("/fhir/Observation?_count=1", headers=bearer(body["access_token"])).status_code == 200


def test_the_latest_expiry_that_is_taken_is_300_seconds_ahead(service: TestClient, asking: TestedClient) -> None:
    assert service.post("/token", data=asking.form(asking.assertion(exp=int(asking.now_s) + 300))).status_code == 200


def _with_secret(asking: TestedClient, secret: bytes) -> str:
    return handmade(asking.header(alg="HS384"), asking.claims(), hmac_by(secret))


Wrong = Callable[[TestedClient], str]


def _tampered(asking: TestedClient) -> str:
    head, body, signature = asking.assertion().split(".")
    return f"{head}.{body}.{'A' if signature[0] != 'A' else 'B'}{signature[1:]}"


def _other_claims(asking: TestedClient) -> str:
    mine, other = asking.assertion().split("."), asking.assertion(exp=int(asking.now_s) + 200).split(".")
    return f"{mine[0]}.{other[1]}.{mine[2]}"


WRONG: list[tuple[str, Wrong]] = [
    ("bad signature", _tampered),
    ("claims of another assertion", _other_claims),
    ("alg none", lambda c: handmade(c.header(alg="none"), c.claims(), lambda _: b"")),
    ("alg None with a signature", lambda c: handmade(c.header(alg="None"), c.claims(), lambda _: b"x")),
    ("alg none with a signature", lambda c: handmade(c.header(alg="none"), c.claims(), lambda _: b"x")),
    ("alg that is a list", lambda c: handmade(c.header(alg=["ES384"]), c.claims(), by_ec(EC))),
    ("HS384 with the PEM of the public key as secret", lambda c: _with_secret(c, EC.as_pem(private=False))),
    ("HS384 with the JWK of the public key as secret", lambda c: _with_secret(c, public_set(EC))),
    ("ES384 in the header, by a secret", lambda c: handmade(c.header(), c.claims(), hmac_by(EC.as_pem(private=False)))),
    ("RS256", lambda c: signed(c.header(alg="RS256"), c.claims(), RSA)),
    ("ES256", lambda c: signed(c.header(alg="ES256"), c.claims(), ec_key(curve="P-256"))),
    ("RS384 with the kid of an EC key", lambda c: signed(c.header(alg="RS384"), c.claims(), RSA)),
    ("a key of nobody under a known kid", lambda c: signed(c.header(), c.claims(), STRANGE)),
    ("wrong kid", lambda c: signed(c.header(kid="other"), c.claims(), c.key)),
    ("missing kid", lambda c: signed(c.header(kid=None), c.claims(), ec_key(""))),
    ("kid that is no text", lambda c: handmade(c.header(kid=7), c.claims(), by_ec(EC))),
    ("typ of an access token", lambda c: signed(c.header(typ="at+jwt"), c.claims(), c.key)),
    ("missing typ", lambda c: signed(c.header(typ=None), c.claims(), c.key)),
    ("a foreign jku", lambda c: signed(c.header(jku="https://evil.example/jwks"), c.claims(), c.key)),
    ("its own key in the header", lambda c: _with_own_key(c)),
    ("a critical extension", lambda c: handmade(c.header(crit=["exp"]), c.claims(), by_ec(EC))),
    ("wrong aud", lambda c: c.assertion(aud="https://other.example/token")),
    ("aud of the FHIR base", lambda c: c.assertion(aud=f"{c.base}/fhir")),
    ("aud with another beside it", lambda c: c.assertion(aud=[f"{c.base}/token", "https://other.example/token"])),
    ("missing aud", lambda c: c.assertion(aud=None)),
    ("exp 301 seconds ahead", lambda c: c.assertion(exp=int(c.now_s) + 301)),
    ("exp in milliseconds", lambda c: c.assertion(exp=int(c.now_s * 1000))),
    ("exp as text", lambda c: c.assertion(exp=str(int(c.now_s) + 60))),
    ("exp true", lambda c: c.assertion(exp=True)),
    ("missing exp", lambda c: c.assertion(exp=None)),
    ("expired", lambda c: c.assertion(exp=int(c.now_s) - 1, iat=int(c.now_s) - 100)),
    ("expired this second", lambda c: c.assertion(exp=int(c.now_s))),
    ("nbf ahead", lambda c: c.assertion(nbf=int(c.now_s) + 60)),
    ("iat ahead", lambda c: c.assertion(iat=int(c.now_s) + 60)),
    ("missing jti", lambda c: c.assertion(jti=None)),
    ("empty jti", lambda c: c.assertion(jti="")),
    ("jti that is no text", lambda c: c.assertion(jti=7)),
    ("iss of another", lambda c: c.assertion(iss="other")),
    ("sub of another", lambda c: c.assertion(sub="other")),
    ("unknown client", lambda c: c.assertion(iss="other", sub="other")),
    ("client with a null character", lambda c: c.assertion(iss="a\x00b", sub="a\x00b")),
    ("missing iss and sub", lambda c: c.assertion(iss=None, sub=None)),
    ("no token at all", lambda c: "hello"),
    ("five parts", lambda c: f"{c.assertion()}.AAAA.AAAA"),
    ("very long", lambda c: c.assertion(jti="x" * 20_000)),
    ("padding in a part", lambda c: c.assertion().replace(".", "=.", 1)),
]


def _with_own_key(asking: TestedClient) -> str:
    stranger = ec_key(asking.key.kid)
    return signed(asking.header(jwk=stranger.as_dict(private=False)), asking.claims(), stranger)


@pytest.mark.parametrize("make", [w[1] for w in WRONG], ids=[w[0] for w in WRONG])
def test_a_wrong_assertion_is_refused(service: TestClient, asking: TestedClient, make: Wrong) -> None:
    answer = service.post("/token", data=asking.form(make(asking)))
    assert (answer.status_code, answer.json()["error"]) == (401, "invalid_client"), answer.text
    assert set(answer.json()) == {"error", "error_description"}
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert "joserfc" not in answer.text and "Error" not in answer.text
    said = answer.json()["error_description"]
    assert said.isascii() and '"' not in said and "\\" not in said


def test_the_handmade_signature_is_a_good_one(service: TestClient, asking: TestedClient) -> None:
    """So that the cases made by hand are refused for what they say, not for how they were made."""
    assert (
        service.post("/token", data=asking.form(handmade(asking.header(), asking.claims(), by_ec(EC)))).status_code
        == 200
    )


def test_a_jti_is_taken_once(service: TestClient, asking: TestedClient) -> None:
    assertion = asking.assertion()
    assert service.post("/token", data=asking.form(assertion)).status_code == 200
    again = service.post("/token", data=asking.form(assertion))
    assert (again.status_code, again.json()["error"]) == (401, "invalid_client")
    other = asking.assertion(jti=asking.claims()["jti"])
    assert service.post("/token", data=asking.form(other)).status_code == 200
    reused = asking.assertion(jti="mine")
    assert service.post("/token", data=asking.form(reused)).status_code == 200
    newly_signed = asking.assertion(jti="mine", exp=int(asking.now_s) + 100)
    assert service.post("/token", data=asking.form(newly_signed)).status_code == 401


def test_a_jti_of_another_client_is_no_reuse(service: TestClient, sqlite_pipeline: Pipeline) -> None:
    for asking in (register(sqlite_pipeline), register(sqlite_pipeline)):
        assert service.post("/token", data=asking.form(asking.assertion(jti="1"))).status_code == 200


def test_used_assertions_are_forgotten_after_they_expired_and_not_before(
    service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline, clock: Clock
) -> None:
    first = asking.assertion()
    service.post("/token", data=asking.form(first))
    for minutes in (4, 4, 4):
        clock.move(minutes=minutes)
        asking.now_s = clock().timestamp()
        assert service.post("/token", data=asking.form()).status_code == 200
    used = sqlite_pipeline.database.read(lambda tx: tx.execute(clients._USED.select()).all())
    assert len(used) == 3
    assert service.post("/token", data=asking.form(first)).status_code == 401


def test_a_key_of_another_client_proves_nothing(service: TestClient, sqlite_pipeline: Pipeline) -> None:
    mine, other = register(sqlite_pipeline, ec_key("same")), register(sqlite_pipeline, ec_key("same"))
    assertion = signed(mine.header(), mine.claims(), other.key)
    answer = service.post("/token", data=mine.form(assertion))
    assert (answer.status_code, answer.json()["error"]) == (401, "invalid_client")


def test_a_key_that_was_replaced_proves_nothing(
    service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline
) -> None:
    new = ec_key("ec-2")
    Registry(sqlite_pipeline, lambda _: "").replace_keys(asking.id, public_set(new))
    assert service.post("/token", data=asking.form()).status_code == 401
    asking.key = new
    assert service.post("/token", data=asking.form()).status_code == 200


def test_a_revoked_client_gets_nothing(service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline) -> None:
    Registry(sqlite_pipeline, lambda _: "").revoke(asking.id)
    answer = service.post("/token", data=asking.form())
    assert (answer.status_code, answer.json()["error"]) == (401, "invalid_client")


def test_who_is_unknown_and_who_signs_wrongly_are_told_the_same(service: TestClient, asking: TestedClient) -> None:
    unknown = service.post("/token", data=asking.form(asking.assertion(iss="x", sub="x")))
    wrong_kid = service.post("/token", data=asking.form(signed(asking.header(kid="x"), asking.claims(), asking.key)))
    assert unknown.json() == wrong_kid.json()


REQUESTS = [
    ({"grant_type": None}, "invalid_request"),
    ({"grant_type": "authorization_code"}, "unsupported_grant_type"),
    ({"grant_type": "password"}, "unsupported_grant_type"),
    ({"client_assertion_type": None}, "invalid_request"),
    ({"client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:saml2-bearer"}, "invalid_request"),
    ({"client_assertion": ""}, "invalid_request"),
    ({"client_id": "other"}, "invalid_client"),
    ({"scope": None}, "invalid_scope"),
    ({"scope": ""}, "invalid_scope"),
    ({"scope": "system/Patient.u"}, "invalid_scope"),
    ({"scope": "system/Task.d"}, "invalid_scope"),
    ({"scope": "system/Observation.c"}, "invalid_scope"),
    ({"scope": "user/Observation.rs patient/Observation.rs"}, "invalid_scope"),
    ({"scope": "system/Observation.read"}, "invalid_scope"),
    ({"scope": "openid offline_access"}, "invalid_scope"),
    ({"scope": "system/Task.crus " * 300}, "invalid_scope"),
]


@pytest.mark.parametrize(("changes", "error"), REQUESTS, ids=[str(r[0])[:60] for r in REQUESTS])
def test_a_wrong_request_is_told_its_error(
    service: TestClient, asking: TestedClient, changes: dict[str, Any], error: str
) -> None:
    answer = service.post("/token", data=asking.form(**changes))
    assert (answer.status_code, answer.json()["error"]) == (401 if error == "invalid_client" else 400, error)
    assert answer.headers["cache-control"] == "no-store"


GRANTED = [
    ("system/Observation.r", "system/Observation.r"),
    ("system/Observation.cruds", "system/Observation.rs"),
    ("system/*.cruds", "system/Observation.rs system/Task.crus"),
    ("system/*.s", "system/Observation.s system/Task.s"),
    ("system/Patient.rs system/Task.r", "system/Task.r"),
    ("system/Task.r system/Task.rs", "system/Task.rs"),
    (
        "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory",
        "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|laboratory",
    ),
]


@pytest.mark.parametrize(("asked", "given"), GRANTED)
def test_what_is_granted_is_what_was_registered_and_asked(
    service: TestClient, asking: TestedClient, asked: str, given: str
) -> None:
    assert service.post("/token", data=asking.form(scope=asked)).json()["scope"] == given


def test_a_scope_of_categories_is_not_widened(service: TestClient, sqlite_pipeline: Pipeline) -> None:
    system = "http://terminology.hl7.org/CodeSystem/observation-category"
    narrow = f"system/Observation.rs?category={system}|laboratory,{system}|survey"
    asking = register(sqlite_pipeline, scopes=(narrow,))
    whole = service.post("/token", data=asking.form(scope="system/Observation.cruds"))
    assert whole.json()["scope"] == narrow
    one = f"system/Observation.s?category={system}|survey,{system}|vital-signs"
    assert service.post("/token", data=asking.form(scope=one)).json()["scope"] == (
        f"system/Observation.s?category={system}|survey"
    )
    other = f"system/Observation.s?category={system}|vital-signs"
    assert service.post("/token", data=asking.form(scope=other)).json()["error"] == "invalid_scope"


def test_the_form_is_a_form_with_each_field_once(service: TestClient, asking: TestedClient) -> None:
    as_json = service.post("/token", json=asking.form())
    assert (as_json.status_code, as_json.json()["error"]) == (400, "invalid_request")
    twice = f"grant_type=client_credentials&grant_type=client_credentials&client_assertion={asking.assertion()}"
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    for body in (twice.encode(), b"\xff", b"a=1&" * 50, b"a=" + b"x" * 60_000):
        answer = service.post("/token", content=body, headers=form)
        assert (answer.status_code, answer.json()["error"]) == (400, "invalid_request")
    assert service.get("/token").status_code == 405
