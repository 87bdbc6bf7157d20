"""Messages for the tests of the HTTP side: the examples, with changes, by plain intake and by FHIR."""

from __future__ import annotations

import copy
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from httpx import Response
from sqlalchemy import text
from starlette.testclient import TestClient

from service.fhir.build import Resource, component, quantity, ref
from service.fhir.check_in import LINK_IDS, QUESTIONNAIRE
from service.fhir.codes import is_local, local
from service.fhir.json_text import load, write
from service.pipeline import Pipeline

EXAMPLES = Path(__file__).parents[2] / "examples"
JSON = {"Content-Type": "application/json"}
TABLES = ("resource_version", "identity", "case_row", "fact", "message")
_BUT_READS = {"resource_version": " WHERE case_number NOT LIKE '-%'"}
"""A read is told in the audit soon after it was answered."""
_SMALL = "01"
PATIENT: Resource = {
    "resourceType": "Patient",
    "identifier": [{"system": "https://x.example/patients", "value": "7"}],
    "name": [{"family": "Invented"}],
    "gender": "unknown",
}
EXAM_CATEGORY = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam"}]}


@cache
def _read(name: str) -> str:
    return (EXAMPLES / f"{name}.json").read_text()


def example(name: str) -> dict[str, Any]:
    """An example message, to be changed at will."""
    return load(_read(name))


def changed(body: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A copy with changes; `patient__sex` reaches inside. None takes the field away."""
    made = copy.deepcopy(body)
    for where, value in changes.items():
        *way, last = where.split("__")
        held = made
        for step in way:
            held = held[int(step)] if isinstance(held, list) else held[step]
        if value is None:
            del held[last]
        else:
            held[last] = value
    return made


def referral(**changes: Any) -> dict[str, Any]:
    return changed(example("sleep-lab/referral"), **changes)


def second_referral(**changes: Any) -> dict[str, Any]:
    """A referral of another patient."""
    other = referral(referral_number="R-9001", patient__id="P-9001", baseline_test__test_number="T-9001-B")
    return changed(other, **changes)


def post(client: TestClient, path: str, body: Any, **headers: str) -> Response:
    """Post JSON with its decimals as they are; text and bytes as they stand."""
    content = body if isinstance(body, bytes | str) else write(body)
    return client.post(path, content=content, headers={**JSON, **headers})


def put(client: TestClient, path: str, body: Any, **headers: str) -> Response:
    return client.put(path, content=write(body), headers={**JSON, **headers})


class Case:
    """An open case in a client: addresses of what it is made of."""

    def __init__(self, client: TestClient, message: dict[str, Any] | None = None) -> None:
        self.client = client
        answer = post(client, "/intake/referrals", message or referral())
        assert answer.status_code == 201, answer.text
        self.number: str = answer.json()["case_number"]
        links = client.get(f"/cases/{self.number}").json()["resources"]
        self.patient: str = links["patient"]
        self.referral: str = links["referral"]
        self.task: str = links["task"]

    def send(self, what: str, body: Any) -> Response:
        """A plain message about the case."""
        return post(self.client, f"/intake/cases/{self.number}/{what}", body)

    def sent(self, what: str, body: Any) -> dict[str, Any]:
        answer = self.send(what, body)
        assert answer.status_code in (200, 201), answer.text
        return load(answer.text)

    def fitted(self) -> Case:
        """Accepted, with an appliance that advances 5 mm delivered on 24 August."""
        self.sent("referral-state", example("dental-office/accept"))
        self.sent("appliances", example("dental-office/appliance"))
        return self

    def observation(self, name: str, /, **elements: Any) -> Resource:
        """An Observation about the patient, with a code of our own."""
        return {
            "resourceType": "Observation",
            "status": "final",
            "category": [EXAM_CATEGORY],
            "code": local(name).concept if is_local(name) else {"text": name},
            "subject": ref(self.patient),
            "basedOn": [ref(self.referral)],
            "effectiveDateTime": "2026-09-01",
            **elements,
        }

    def setting(self, left: Any = _SMALL, right: Any = _SMALL, **elements: Any) -> Resource:
        """A setting; each side a number of mm or a Quantity as it is."""
        sides = zip(("advance-left", "advance-right"), (left, right), strict=True)
        parts = [
            component(local(code), "valueQuantity", side if isinstance(side, dict) else quantity(Decimal(side), "mm"))
            for code, side in sides
        ]
        return self.observation("protrusion-setting", component=parts, **elements)

    def check_in(self, authored: str = "2026-09-08", **answers: Any) -> Resource:
        """A check-in as QuestionnaireResponse; answers such as `valueDecimal` by question."""
        order = list(LINK_IDS.values())
        given = {link.replace("_", "-"): value for link, value in answers.items()}
        links = sorted(given, key=lambda link: order.index(link) if link in order else len(order))
        items = [{"linkId": link, "answer": [given[link]]} for link in links]
        return {
            "resourceType": "QuestionnaireResponse",
            "questionnaire": QUESTIONNAIRE,
            "status": "completed",
            "subject": ref(self.patient),
            "basedOn": [ref(self.referral)],
            "authored": authored,
            "item": items,
        }


def bundle(*resources: Resource) -> Resource:
    """A transaction that creates resources, with addresses urn:uuid:…0 and so on."""
    entries = [
        {
            "fullUrl": f"urn:uuid:00000000-0000-4000-8000-{index:012}",
            "resource": resource,
            "request": {"method": "POST", "url": resource["resourceType"]},
        }
        for index, resource in enumerate(resources)
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def row_counts(pipeline: Pipeline) -> dict[str, int]:
    """How many rows every table holds."""

    def count(tx: Any) -> dict[str, int]:
        return {t: tx.execute(text(f"SELECT count(*) FROM {t}{_BUT_READS.get(t, '')}")).scalar_one() for t in TABLES}

    return pipeline._database.read(count)


def issues(answer: Response) -> list[tuple[str, str, str]]:
    """(issue code, sentence, place) of every issue of an OperationOutcome."""
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome", body
    assert answer.headers["content-type"] == "application/fhir+json; charset=utf-8"
    return [(i["code"], i["diagnostics"], (i.get("expression") or [""])[0]) for i in body["issue"]]


_LEAKS = (
    "Traceback",
    "Error(",
    "Exception",
    "pydantic",
    "sqlalchemy",
    "sqlite",
    "<class",
    "datetime.",
    "Decimal(",
    "timedelta",
    "Input should",
    "Value error",
    "regex",
    "NoneType",
    "None",
    "__",
    ".py",
    "%r",
)


def assert_plain_words(answer: Response) -> None:
    """No word of the machinery behind: a sentence with a capital or a quoted value first, and a full stop."""
    for _, sentence, place in issues(answer):
        assert not [leak for leak in _LEAKS if leak in sentence.replace("If-None-Exist", "")], sentence
        assert sentence.endswith("."), sentence
        assert sentence[0].isupper() or not sentence[0].isalpha(), sentence
        assert "root" not in place and "function-" not in place, place


def entry(method: str, url: str, resource: Resource | None = None, full_url: str = "", **request: str) -> Resource:
    """An entry of a Bundle."""
    made: Resource = {"request": {"method": method, "url": url, **request}}
    if resource is not None:
        made["resource"] = resource
    return {"fullUrl": full_url, **made} if full_url else made


def bundle_of(kind: str, *entries: Resource) -> Resource:
    """A Bundle of a type."""
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def numbered(kind: str, number: str, **elements: Any) -> Resource:
    """A resource with a business identifier."""
    return {"resourceType": kind, "identifier": [{"system": "https://x.example/numbers", "value": number}], **elements}


def note(case: Case, number: str, **elements: Any) -> Resource:
    """A Communication about a case, which no decision reads."""
    about = {"status": "completed", "subject": ref(case.patient), "basedOn": [ref(case.referral)]}
    return numbered("Communication", number, **about, **elements)
