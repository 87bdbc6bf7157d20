"""Subscriptions by FHIR: a success and a failure of each interaction, and what is refused with every reason.

https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/
"""

from __future__ import annotations

import copy
import logging
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.app import build_app
from service.fhir.conformance.judge import issues_of
from service.fhir.json_text import load, write
from service.fhir.subscription import GUIDE, KEPT, TOPIC
from service.outbound.addresses import Egress
from service.pipeline import Pipeline
from service.settings import Settings
from tests.outbound.asked import subscription
from tests.outbound.receiver import events, numbers_of, receiving, value
from tests.store.messages import accepted, opened_case, take
from tests.web.messages import issues

FHIR = {"Content-Type": "application/fhir+json"}
SECRET = "a-word-only-the-two-systems-know"


@pytest.fixture
def client(sqlite_pipeline: Pipeline) -> TestClient:
    settings = Settings(egress=Egress("127.0.0.1 hooks.office.example", on_loopback=True), delivers=False)
    return TestClient(build_app(settings, sqlite_pipeline), raise_server_exceptions=False)


def create(client: TestClient, body: dict[str, Any]) -> Any:
    return client.post("/fhir/Subscription", content=write(body), headers=FHIR)


def put(client: TestClient, body: dict[str, Any], version: int | str | None = None) -> Any:
    headers = FHIR | ({"If-Match": f'W/"{version}"'} if version is not None else {})
    return client.put(f"/fhir/Subscription/{body['id']}", content=write(body), headers=headers)


def test_create_read_change_and_end(client: TestClient) -> None:
    made = create(client, subscription(filters="whose-move=physician"))
    assert made.status_code == 201, made.text
    body = load(made.text)
    assert made.headers["location"] == f"http://127.0.0.1:8080/fhir/Subscription/{body['id']}"
    assert client.get(made.headers["location"]).status_code == 200
    assert made.headers["etag"] == 'W/"1"'
    assert (body["status"], body["criteria"]) == ("requested", TOPIC)
    assert issues_of(body) == [] or all(i.severity != "error" for i in issues_of(body))
    read = client.get(f"/fhir/Subscription/{body['id']}")
    assert load(read.text) == body
    changed = put(client, {**body, "reason": "another"}, 1)
    assert (changed.status_code, changed.headers["etag"]) == (200, 'W/"2"')
    assert load(changed.text)["reason"] == "another"
    assert put(client, body).status_code == 400
    assert put(client, body, 1).status_code == 412
    assert put(client, body, "x").status_code == 422
    assert put(client, {**body, "id": "elsewhere"}, 1).status_code == 404
    assert client.delete(f"/fhir/Subscription/{body['id']}").status_code == 204
    assert client.delete(f"/fhir/Subscription/{body['id']}").status_code == 204
    for address in ("", "/$status", "/$events"):
        gone = client.get(f"/fhir/Subscription/{body['id']}{address}")
        assert gone.status_code == 404
    assert put(client, body, 3).status_code == 404


def test_search(client: TestClient) -> None:
    first = load(create(client, subscription(endpoint="http://127.0.0.1:9000/a")).text)
    second = load(create(client, subscription(endpoint="http://127.0.0.1:9000/b", status="off")).text)
    for query, found in (
        ({}, [first, second]),
        ({"status": "off"}, [second]),
        ({"status": "off,requested"}, [first, second]),
        ({"url": "http://127.0.0.1:9000/a"}, [first]),
        ({"criteria": TOPIC, "_id": second["id"]}, [second]),
        ({"status": "active"}, []),
    ):
        bundle = load(client.get("/fhir/Subscription", params=query).text)
        assert [e["resource"] for e in bundle.get("entry", [])] == found, query
        assert bundle["total"] == len(found)
    assert client.get("/fhir/Subscription?name=x").status_code == 422
    assert client.get("/fhir/Subscription?status=off&status=active").status_code == 422


def test_a_secret_that_was_given_is_never_shown_again_nor_logged(
    client: TestClient, caplog: pytest.LogCaptureFixture, sqlite_pipeline: Pipeline
) -> None:
    caplog.set_level(logging.DEBUG)
    body = load(create(client, subscription()).text)
    assert body["channel"]["header"] == [f"Authorization: {KEPT}"]
    kept = put(client, {**body, "reason": "another"}, 1)
    assert kept.status_code == 200
    answers = [client.get(a).text for a in ("/fhir/Subscription", f"/fhir/Subscription/{body['id']}/$status")]
    assert not [text for text in [kept.text, caplog.text, *answers] if SECRET in text]
    with sqlite_pipeline.database.engine.connect() as connection:
        held = connection.exec_driver_sql("SELECT body, headers FROM subscription").one()
        rest = connection.exec_driver_sql("SELECT body FROM resource_version").all()
    assert SECRET not in held.body and SECRET not in held.headers and held.headers.startswith("sealed.")
    assert not [r for r in rest if SECRET in r.body]
    unknown = {**body["channel"], "header": [f"X-API-Key: {KEPT}"]}
    assert "No value of X-API-Key is kept" in put(client, {**body, "channel": unknown}, 2).text


def _with(path: str, wish: Any) -> dict[str, Any]:
    """The example with one element changed, or taken out when the wish is None."""
    body = subscription(filters="whose-move=physician", heartbeat_s=60)
    at: Any = body
    *inner, last = path.split(".")
    for name in inner:
        at = at[int(name)] if name.isdigit() else at[name]
    if wish is None:
        del at[last]
    else:
        at[last] = wish
    return body


_URL = f"{GUIDE}/StructureDefinition"


@pytest.mark.parametrize(
    ("path", "wish", "place", "words"),
    [
        ("resourceType", "Patient", "resourceType", "of type Subscription"),
        ("status", None, "Subscription", "status"),
        ("status", "unheard-of", "Subscription.status", ""),
        ("reason", None, "Subscription", "reason"),
        ("color", "red", "Subscription", "color"),
        ("criteria", "Observation?code=x", "Subscription.criteria", "The topics of this service are"),
        ("criteria", f"{TOPIC}|9.9.9", "Subscription.criteria", "The topics of this service are"),
        ("_criteria.extension.0.valueString", "patient=Patient/1", "Subscription.criteria.extension[0]", "no filter"),
        ("_criteria.extension.0.valueString", "whose-move=patient", "Subscription.criteria.extension[0]", "not one of"),
        ("_criteria.extension.0.valueString", "owner=x", "Subscription.criteria.extension[0]", "not a reference"),
        ("_criteria.extension.0.valueString", "", "Subscription.criteria.extension[0].value", ""),
        ("channel.type", "email", "Subscription.channel.type", "rest-hook"),
        ("channel.endpoint", None, "Subscription.channel.endpoint", "is needed"),
        ("channel.endpoint", "http://127.0.0.1:9000/" + "x" * 1000, "Subscription.channel.endpoint", "1000 characters"),
        ("channel.payload", None, "Subscription.channel.payload", ""),
        ("channel.payload", "application/fhir+xml", "Subscription.channel.payload", "application/fhir+json"),
        ("channel._payload", None, "Subscription.channel.payload", "id-only or empty"),
        ("channel._payload.extension.0.valueCode", "full-resource", "Subscription.channel.payload", "never sent"),
        ("channel.header", ["Cookie: a=b"], "Subscription.channel.header[0]", "A header is"),
        ("channel.header", ["Host: other.example"], "Subscription.channel.header[0]", "A header is"),
        ("channel.header", ["Authorization: a\r\nHost: x"], "Subscription.channel.header[0]", ""),
        ("channel.header", ["Authorization"], "Subscription.channel.header[0]", "A header is"),
        ("channel.header", ["X-API-Key: a"] * 5, "Subscription.channel.header", "At most 4"),
        ("channel.extension.0.valueUnsignedInt", 0, "Subscription.channel.extension", "from 1 to"),
        ("channel.extension.0.valueUnsignedInt", 9_999_999, "Subscription.channel.extension", "from 1 to"),
        ("channel.extension.0.url", f"{_URL}/backport-timeout", "", ""),
        (
            "modifierExtension",
            [{"url": "https://x.example/y", "valueBoolean": True}],
            "Subscription.modif",
            "not taken",
        ),
        ("end", "2020-01-01T00:00:00Z", "Subscription.end", "passed already"),
        ("channel.endpoint", "https://evil.example/", "Subscription.channel.endpoint", "not on the site's list"),
        ("channel.endpoint", "https://u:p@127.0.0.1/", "Subscription.channel.endpoint", "not an address"),
        ("channel.endpoint", "http://hooks.office.example:443/", "Subscription.channel.endpoint", "https"),
        ("channel.endpoint", "https://hooks.office.example:22/", "Subscription.channel.endpoint", "not on the"),
    ],
)
def test_what_is_refused_and_why(client: TestClient, path: str, wish: Any, place: str, words: str) -> None:
    answer = create(client, _with(path, wish))
    if not place:
        assert answer.status_code == 201, answer.text
        return
    assert answer.status_code == 422, answer.text
    told = issues(answer)
    assert any(place in (where or "") and words in sentence for _, sentence, where in told), told
    assert load(client.get("/fhir/Subscription").text)["total"] == 0


def test_a_custom_channel_is_refused(client: TestClient) -> None:
    body = subscription()
    coding = {"system": "https://x.example/channels", "code": "pigeon"}
    body["channel"]["_type"] = {"extension": [{"url": f"{_URL}/backport-channel-type", "valueCoding": coding}]}
    answer = create(client, body)
    assert (answer.status_code, issues(answer)[0][1]) == (422, "Notices are sent by rest-hook.")


def _places(value: Any, path: str = "") -> Iterator[str]:
    """Every place inside a JSON value."""
    for key, held in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield f"{path}{key}"
        yield from _places(held, f"{path}{key}.")


@pytest.mark.parametrize(
    "odd", [[], {}, "", " ", 0, -1, 1.5, True, [None], [{}], {"extension": []}, "x" * 5000, "\x00"]
)
def test_no_oddity_anywhere_is_an_error_of_the_service(client: TestClient, odd: Any) -> None:
    everything = {
        **subscription(filters="stage=tested", heartbeat_s=9, timeout_s=9, most=9),
        "end": "2027-01-01T00:00:00Z",
    }
    for place in _places(everything):
        body = copy.deepcopy(everything)
        at: Any = body
        *inner, last = place.split(".")
        for name in inner:
            at = at[int(name)] if isinstance(at, list) else at[name]
        at[int(last) if isinstance(at, list) else last] = odd
        answer = create(client, body)
        assert answer.status_code in (201, 400, 422), (place, answer.text)
        if answer.status_code == 201:
            name = load(answer.text)["id"]
            assert client.get(f"/fhir/Subscription/{name}/$status").status_code == 200
            client.delete(f"/fhir/Subscription/{name}")


@pytest.mark.parametrize("end", ["9999-12-31T23:59:59-14:00", "2027-01-01T23:59:60Z", "2027-01-01T00:00:00.123456789Z"])
def test_an_end_at_an_odd_moment_is_no_error_of_the_service(client: TestClient, end: str) -> None:
    assert create(client, subscription(end=end)).status_code in (201, 422)


def test_every_problem_comes_at_once(client: TestClient) -> None:
    body = _with("channel.type", "email")
    body["criteria"], body["channel"]["payload"] = "Observation?code=x", "text/plain"
    assert len(issues(create(client, body))) == 3


def test_a_service_without_a_list_takes_no_subscriptions(sqlite_pipeline: Pipeline) -> None:
    answer = create(TestClient(build_app(Settings(), sqlite_pipeline)), subscription())
    assert answer.status_code == 422
    assert "listed no callback addresses" in answer.text


def test_no_more_than_a_hundred_are_kept(client: TestClient) -> None:
    for _ in range(100):
        assert create(client, subscription()).status_code == 201
    assert "No more than 100" in create(client, subscription()).text


def test_status_and_events(client: TestClient, sqlite_pipeline: Pipeline) -> None:
    name = load(create(client, subscription()).text)["id"]
    other = load(create(client, subscription(filters="whose-move=physician")).text)["id"]
    number = opened_case(sqlite_pipeline)
    take(sqlite_pipeline, accepted(), number)
    bundle = load(client.get(f"/fhir/Subscription/{name}/$status").text)
    assert (bundle["type"], bundle["total"]) == ("searchset", 1)
    assert value(bundle, "type") == "query-status"
    assert value(bundle, "events-since-subscription-start") == "2"
    assert value(bundle, "subscription") == {"reference": f"http://127.0.0.1:8080/fhir/Subscription/{name}"}
    assert load(client.get("/fhir/Subscription/$status").text)["total"] == 2
    assert load(client.get(f"/fhir/Subscription/$status?id={other}").text)["total"] == 1
    assert load(client.get("/fhir/Subscription/$status?status=active").text)["total"] == 0
    asked = {"resourceType": "Parameters", "parameter": [{"name": "id", "valueId": other}]}
    posted = client.post("/fhir/Subscription/$status", content=write(asked), headers=FHIR)
    assert value(load(posted.text), "events-since-subscription-start") == "0"

    for query, numbers in (("", [1, 2]), ("eventsSinceNumber=2", [2]), ("eventsUntilNumber=1", [1])):
        found = load(client.get(f"/fhir/Subscription/{name}/$events?{query}").text)
        assert numbers_of(found) == numbers
        assert (found["type"], value(found, "type")) == ("history", "query-event")
    empty = load(client.get(f"/fhir/Subscription/{name}/$events?content=empty").text)
    assert "focus" not in events(empty)[0]
    asked = {"resourceType": "Parameters", "parameter": [{"name": "eventsSinceNumber", "valueString": "2"}]}
    posted = client.post(f"/fhir/Subscription/{name}/$events", content=write(asked), headers=FHIR)
    assert numbers_of(load(posted.text)) == [2]
    (event,) = events(load(posted.text))
    focus = event["focus"]["reference"]
    assert focus == f"http://127.0.0.1:8080/fhir/CarePlan/{number}"
    assert client.get(focus).status_code == 200
    assert client.get(f"/fhir/Subscription/{name}/$events?eventsSinceNumber=x").status_code == 422
    assert client.post(f"/fhir/Subscription/{name}/$events", content="[]", headers=FHIR).status_code == 400


def test_the_metadata_tells_of_subscriptions_and_their_topic(client: TestClient) -> None:
    rest = load(client.get("/fhir/metadata").text)["rest"][0]
    (told,) = [r for r in rest["resource"] if r["type"] == "Subscription"]
    assert TOPIC in {e["valueCanonical"] for e in told["extension"]}
    assert {o["name"] for o in told["operation"]} == {"status", "events"}
    for parameter in told["searchParam"]:
        assert client.get("/fhir/Subscription", params={parameter["name"]: "x"}).status_code == 200
    routes = client.get("/openapi.json").json()["paths"]
    methods = {"create": "post", "search-type": "get", "read": "get", "update": "put", "delete": "delete"}
    for interaction in told["interaction"]:
        code = interaction["code"]
        address = "/fhir/Subscription" + ("" if code in ("create", "search-type") else "/{subscription_id}")
        assert methods[code] in routes[address]


@pytest.fixture
def running(sqlite_pipeline: Pipeline) -> Iterator[TestClient]:
    """The application with its own deliverer at work."""
    settings = Settings(egress=Egress("127.0.0.1", on_loopback=True))
    with TestClient(build_app(settings, sqlite_pipeline)) as client:
        yield client


def test_the_web_process_delivers_by_itself(running: TestClient, sqlite_pipeline: Pipeline) -> None:
    with receiving() as receiver:
        assert create(running, subscription(endpoint=receiver.url)).status_code == 201
        opened_case(sqlite_pipeline)
        receiver.wait_for(1)
    assert receiver.kinds() == ["handshake", "event-notification"]
    assert receiver.received[0][0]["authorization"] == f"Bearer {SECRET}"
