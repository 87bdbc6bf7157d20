"""Access tokens that hold and that do not, at every door.

Sources: RFC 6750 section 3 for the answers, RFC 9068 for what a token says, RFC 8725 for confusion of algorithms and
kinds of token, RFC 7662 and RFC 7009 for introspection and revocation; the doors are our own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.access.grant import OPEN, Grant, Office, Scope
from service.access.jose import opened
from service.access.signing import KeyRing, rotate
from service.app import build_app
from service.pipeline import Pipeline
from service.pipeline.access.registry import Registry
from service.settings import Settings
from service.store import resources
from service.web.exchange import answer, grant_of
from service.web.gate import PUBLIC
from tests.access.clients import (
    TestedClient,
    access_settings,
    bearer,
    by_ec,
    ec_key,
    handmade,
    hmac_by,
    register,
    served,
    signed,
)
from tests.conftest import Clock


@pytest.fixture
def service(sqlite_pipeline: Pipeline, tmp_path: Path) -> Iterator[TestClient]:
    with served(sqlite_pipeline, tmp_path) as found:
        yield found


@pytest.fixture
def asking(sqlite_pipeline: Pipeline) -> TestedClient:
    return register(sqlite_pipeline)


def _status(service: TestClient, token: str) -> int:
    return service.get("/fhir/Observation", headers=bearer(token)).status_code


def test_every_door_but_those_named_asks_for_a_token(service: TestClient) -> None:
    paths = service.app.openapi()["paths"]  # type: ignore[union-attr]
    asked = {(method.upper(), path) for path, methods in paths.items() for method in methods}
    assert len(asked) > 40
    for method, path in sorted(asked):
        answer = service.request(method, path.replace("{", "").replace("}", ""))
        if path in PUBLIC:
            assert answer.status_code != 401 or path in ("/token", "/introspect", "/revoke"), path
        else:
            assert answer.status_code == 401, (method, path)
            assert answer.headers["www-authenticate"] == 'Bearer realm="airway-relay"'
            if method != "HEAD":
                body = answer.json()
                assert (body["resourceType"], body["issue"][0]["code"]) == ("OperationOutcome", "login")


@pytest.mark.parametrize(
    "path",
    ["/health/", "/fhir/metadata/", "//health", "/FHIR/metadata", "/health/../cases", "/style.css/x", "/nothing"],
)
def test_a_path_that_is_almost_public_is_not(service: TestClient, path: str) -> None:
    answer = service.get(f"http://127.0.0.1:8080{path}", follow_redirects=False)
    assert answer.status_code == 401


def test_the_doors_that_are_public_are_open(service: TestClient) -> None:
    for path in ("/health", "/fhir/metadata", "/style.css", "/.well-known/smart-configuration"):
        assert service.get(path).status_code == 200, path


@pytest.mark.parametrize(
    "header", ["", "Bearer", "Bearer ", "Basic YTpi", "Token abc", "Bearer a b", "bearer\tx", "Bearer ü"]
)
def test_a_header_that_holds_no_token_is_refused(service: TestClient, header: str) -> None:
    assert service.get("/cases", headers={"Authorization": header.encode("latin-1")}).status_code == 401  # type: ignore[dict-item]


def test_one_token_at_a_time_and_only_in_the_header(service: TestClient, asking: TestedClient) -> None:
    token = asking.token(service)
    assert _status(service, token) == 200
    assert service.get("/fhir/Observation", headers={"authorization": f"bearer {token}"}).status_code == 200
    twice = [("Authorization", f"Bearer {token}"), ("Authorization", f"Bearer {token}")]
    assert service.get("/fhir/Observation", headers=twice).status_code == 401
    assert service.get(f"/fhir/Observation?access_token={token}").status_code == 401


Forged = Callable[[dict[str, Any], dict[str, Any], KeyRing, TestedClient], str]


def _own(header: dict[str, Any], claims: dict[str, Any], ring: KeyRing) -> str:
    return signed(header, claims, ring._held[0].key)


FORGED: list[tuple[str, Forged]] = [
    ("claims changed", lambda h, c, r, a: _spliced(h, c, {**c, "scope": "system/*.cruds"}, r)),
    ("signature changed", lambda h, c, r, a: handmade(h, c, lambda _: b"x" * 96)),
    ("no signature", lambda h, c, r, a: handmade(h, c, lambda _: b"")),
    ("alg none", lambda h, c, r, a: handmade({**h, "alg": "none"}, c, lambda _: b"")),
    ("alg none with a signature", lambda h, c, r, a: handmade({**h, "alg": "none"}, c, _sign_by(r))),
    ("HS384 by the public key", lambda h, c, r, a: handmade({**h, "alg": "HS384"}, c, hmac_by(_pem(r)))),
    ("HS256 by the public key", lambda h, c, r, a: handmade({**h, "alg": "HS256"}, c, hmac_by(_pem(r)))),
    ("RS256 in the header", lambda h, c, r, a: handmade({**h, "alg": "RS256"}, c, _sign_by(r))),
    ("a key of others", lambda h, c, r, a: signed(h, c, ec_key(h["kid"]))),
    ("the client's own key", lambda h, c, r, a: signed({**h, "kid": a.key.kid}, c, a.key)),
    ("the client's own key under our kid", lambda h, c, r, a: signed(h, c, a.key)),
    ("an assertion", lambda h, c, r, a: a.assertion()),
    ("kid of nobody", lambda h, c, r, a: _own({**h, "kid": "x"}, c, r)),
    ("no kid", lambda h, c, r, a: handmade({k: v for k, v in h.items() if k != "kid"}, c, _sign_by(r))),
    ("another kind of token", lambda h, c, r, a: _own({**h, "typ": "JWT"}, c, r)),
    ("expired", lambda h, c, r, a: _own(h, {**c, "exp": c["iat"]}, r)),
    ("no expiry", lambda h, c, r, a: _own(h, {k: v for k, v in c.items() if k != "exp"}, r)),
    ("made tomorrow", lambda h, c, r, a: _own(h, {**c, "iat": c["iat"] + 86_400}, r)),
    ("another issuer", lambda h, c, r, a: _own(h, {**c, "iss": "https://other.example"}, r)),
    ("for another service", lambda h, c, r, a: _own(h, {**c, "aud": "https://other.example/fhir"}, r)),
    ("for nobody", lambda h, c, r, a: _own(h, {k: v for k, v in c.items() if k != "aud"}, r)),
    ("an unknown client", lambda h, c, r, a: _own(h, {**c, "client_id": "x"}, r)),
    ("a client that is no text", lambda h, c, r, a: _own(h, {**c, "client_id": ["x"]}, r)),
    ("an extension", lambda h, c, r, a: handmade({**h, "crit": ["b64"], "b64": False}, c, _sign_by(r))),
]


def _pem(ring: KeyRing) -> bytes:
    return ring._held[0].key.as_pem(private=False)


def _sign_by(ring: KeyRing) -> Callable[[bytes], bytes]:
    return by_ec(ring._held[0].key)


def _spliced(header: dict[str, Any], claims: dict[str, Any], other: dict[str, Any], ring: KeyRing) -> str:
    mine, others = (_own(header, c, ring).split(".") for c in (claims, other))
    return f"{mine[0]}.{others[1]}.{mine[2]}"


@pytest.mark.parametrize("forge", [f[1] for f in FORGED], ids=[f[0] for f in FORGED])
def test_a_forged_token_is_refused(service: TestClient, asking: TestedClient, tmp_path: Path, forge: Forged) -> None:
    good, ring = opened(asking.token(service)), KeyRing(tmp_path / "keys.json")
    assert _status(service, _own(good.header, good.claims, ring)) == 200, "the same, but forged in nothing"
    answer = service.get("/cases", headers=bearer(forge(good.header, good.claims, ring, asking)))
    assert answer.status_code == 401
    assert 'error="invalid_token"' in answer.headers["www-authenticate"]
    assert answer.json()["issue"][0]["code"] == "login"


def test_a_token_ends(service: TestClient, asking: TestedClient, clock: Clock) -> None:
    token = asking.token(service)
    clock.move(seconds=299)
    assert _status(service, token) == 200
    clock.move(seconds=1)
    assert _status(service, token) == 401


def test_a_revoked_token_is_refused_at_once_here_and_soon_elsewhere(
    service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline, tmp_path: Path, clock: Clock
) -> None:
    token = asking.token(service)
    with served(sqlite_pipeline, tmp_path) as elsewhere:
        assert (_status(service, token), _status(elsewhere, token)) == (200, 200)
        answer = service.post("/revoke", data=asking.form(token=token))
        assert (answer.status_code, answer.text, answer.headers["cache-control"]) == (200, "", "no-store")
        assert (_status(service, token), _status(elsewhere, token)) == (401, 200)
        clock.move(seconds=2)
        assert _status(elsewhere, token) == 401
    with served(sqlite_pipeline, tmp_path) as later:
        assert _status(later, token) == 401
    assert _status(service, asking.token(service)) == 200
    assert service.post("/revoke", data=asking.form(token=token)).status_code == 200


def test_the_tokens_of_a_revoked_client_are_refused_soon(
    service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline, clock: Clock
) -> None:
    token, other = asking.token(service), register(sqlite_pipeline).token(service)
    assert _status(service, token) == 200
    Registry(sqlite_pipeline, lambda _: "").revoke(asking.id)
    clock.move(seconds=2)
    assert (_status(service, token), _status(service, other)) == (401, 200)


def test_what_was_revoked_is_read_at_most_every_two_seconds(
    service: TestClient, asking: TestedClient, monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    token = asking.token(service)
    assert _status(service, token) == 200
    check, reads = service.app.state.access.check, list[float]()  # type: ignore[union-attr]
    monkeypatch.setattr(
        check, "_refresh", lambda: reads.append(1) or setattr(check, "_refreshed_at_s", clock().timestamp())
    )
    for _ in range(20):
        clock.move(seconds=0.5)
        assert check.known(token) or check.verified(token)
        if check.is_stale:
            check.refresh_if_stale()
    assert len(reads) == 5


def test_a_client_sees_and_takes_back_its_own_tokens_alone(
    service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline, clock: Clock
) -> None:
    other = register(sqlite_pipeline)
    token = asking.token(service, scope="system/Observation.s")
    body = service.post("/introspect", data=asking.form(token=token)).json()
    assert (body["active"], body["scope"], body["client_id"]) == (True, "system/Observation.s", asking.id)
    assert body["exp"] - body["iat"] == 300
    assert service.post("/introspect", data=other.form(token=token)).json() == {"active": False}
    assert service.post("/introspect", data=asking.form(token="x.y.z")).json() == {"active": False}
    refused = service.post("/revoke", data=other.form(token=token))
    unknown = service.post("/revoke", data=other.form(token="x.y.z"))
    assert (refused.status_code, refused.content) == (unknown.status_code, unknown.content) == (200, b"")
    assert _status(service, token) == 200
    for path in ("/introspect", "/revoke"):
        assert service.post(path, data=asking.form()).json()["error"] == "invalid_request"
        nobody = service.post(path, data=asking.form("x", token=token))
        assert (nobody.status_code, nobody.json()["error"]) == (401, "invalid_client")
        assert service.post(path, data={"token": token}).status_code == 400
    clock.move(seconds=301)
    asking.now_s = clock().timestamp()
    assert service.post("/introspect", data=asking.form(token=token)).json() == {"active": False}
    assert service.post("/revoke", data=asking.form(token=token)).status_code == 200


def test_keys_are_changed_without_a_restart_and_without_losing_tokens(
    service: TestClient, asking: TestedClient, sqlite_pipeline: Pipeline, tmp_path: Path, clock: Clock
) -> None:
    with served(sqlite_pipeline, tmp_path) as elsewhere:
        old = asking.token(service)
        kid = rotate(tmp_path / "keys.json", clock().timestamp())
        clock.move(seconds=2)
        new = asking.token(service)
        assert _status(service, old) == 200
        new = asking.token(service)
        assert opened(new).kid == kid != opened(old).kid
        assert (_status(service, new), _status(elsewhere, new), _status(elsewhere, old)) == (200, 200, 200)
    clock.move(seconds=1000)
    rotate(tmp_path / "keys.json", clock().timestamp())
    assert [h.kid for h in KeyRing(tmp_path / "keys.json")._held][1:] == [kid]


def test_a_key_file_that_others_can_read_meanwhile_changes_nothing_but_the_log(
    service: TestClient, asking: TestedClient, tmp_path: Path, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    token = asking.token(service)
    (tmp_path / "keys.json").unlink()
    clock.move(seconds=3)
    assert _status(service, token) == 200
    assert "the key file cannot be used any more" in caplog.text


def test_the_grant_of_a_request(sqlite_pipeline: Pipeline, asking: TestedClient, tmp_path: Path) -> None:
    seen: list[Grant] = []

    def ask(settings: Settings, headers: Callable[[TestClient], dict[str, str]]) -> Grant:
        app = build_app(settings, sqlite_pipeline)

        async def look(request: Any) -> Any:
            seen.append(grant_of(request))
            return answer({})

        app.add_route("/look", look)
        client = TestClient(app)
        assert client.get("/look", headers=headers(client)).status_code == 200
        return seen[-1]

    assert ask(Settings(), lambda _: {}) is OPEN
    grant = ask(access_settings(tmp_path), lambda c: bearer(asking.token(c, scope="system/Task.r")))
    organisations = sqlite_pipeline.database.read(
        lambda tx: resources.current(tx, *grant.organisation.split("/"))  # type: ignore[arg-type]
    )
    assert organisations is not None and '"lab-1"' in organisations.body
    assert grant == Grant(
        asking.id, frozenset({Office.SLEEP_LAB}), grant.organisation, (Scope("Task", frozenset("r")),)
    )


def test_a_scope_that_was_taken_from_the_registry_is_not_in_a_token_made_before(
    service: TestClient, sqlite_pipeline: Pipeline, tmp_path: Path
) -> None:
    """A token says what was granted; the registry is asked again when a process first sees it."""
    asking = register(sqlite_pipeline, scopes=("system/Task.r",))
    good, ring = opened(asking.token(service)), KeyRing(tmp_path / "keys.json")
    more = _own(good.header, {**good.claims, "scope": "system/*.cruds"}, ring)
    assert service.app.state.access.check.verified(more).grant.scopes == (Scope("Task", frozenset("r")),)  # type: ignore[union-attr]


def test_the_memory_of_tokens_is_bounded(
    service: TestClient, asking: TestedClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.pipeline.access.token_check._MOST_KEPT", 3)
    tokens = [asking.token(service) for _ in range(5)]
    for token in tokens:
        assert _status(service, token) == 200
    check = service.app.state.access.check  # type: ignore[union-attr]
    assert list(check._held) == tokens[2:]
    assert _status(service, tokens[0]) == 200


def test_looking_a_token_up_takes_microseconds(service: TestClient, asking: TestedClient) -> None:
    """A bound that only a signature check or a query would break; the figure itself is printed by the bench."""
    token, check = asking.token(service), service.app.state.access.check  # type: ignore[union-attr]
    check.verified(token)
    began = time.perf_counter()
    for _ in range(2000):
        assert check.known(token)
    assert (time.perf_counter() - began) / 2000 < 0.000_1


def test_discovery_says_how_to_get_a_token(service: TestClient) -> None:
    """Required members: SMART App Launch 2.2.0, conformance.html, of a server for backend services."""
    root, below = (service.get(f"{p}/.well-known/smart-configuration") for p in ("", "/fhir"))
    assert root.json() == below.json()
    assert root.headers["content-type"].startswith("application/json")
    body = root.json()
    assert body["token_endpoint"] == "http://127.0.0.1:8080/token"
    assert body["grant_types_supported"] == ["client_credentials"]
    assert body["token_endpoint_auth_methods_supported"] == ["private_key_jwt"]
    assert body["token_endpoint_auth_signing_alg_values_supported"] == ["RS384", "ES384"]
    assert {"client-confidential-asymmetric", "permission-v2"} <= set(body["capabilities"])
    assert "S256" in body["code_challenge_methods_supported"]
    assert body["introspection_endpoint"].endswith("/introspect")
    assert body["revocation_endpoint"].endswith("/revoke")
    assert "system/Observation.rs" in body["scopes_supported"]
    assert "authorization_endpoint" not in body
    security = service.get("/fhir/metadata").json()["rest"][0]["security"]
    assert security["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"


def test_while_access_control_is_off_nobody_gets_a_token(client: TestClient) -> None:
    assert client.get("/cases").status_code == 200
    assert client.post("/token", data={}).status_code == 404
    assert client.get("/.well-known/smart-configuration").status_code == 404
    assert "service" not in client.get("/fhir/metadata").json()["rest"][0]["security"]
