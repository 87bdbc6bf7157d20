"""What a FHIR interaction answers, as a response of its own or as an entry of a Bundle.

https://hl7.org/fhir/R4/http.html#ops and #transaction-response
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from email.utils import format_datetime
from http import HTTPStatus
from typing import Any

from fastapi import Request, Response

from service.errors import Category, Problem, Refused, refuse
from service.fhir.build import Resource
from service.fhir.json_text import load, write, write_pretty
from service.fhir.outcome import all_well, operation_outcome
from service.fhir.validate import TYPES
from service.intake.answers import Answer, Outcome
from service.intake.message import Received
from service.intake.sender import Sender
from service.pipeline import Pipeline
from service.web.exchange import pipeline_of, seen, sender_of
from service.web.hosts import base_of
from service.web.negotiation import media_of, wants_pretty
from service.web.problems import STATUS

_PREFERENCES = {one.lower(): one for one in ("representation", "minimal", "OperationOutcome")}
_WORDS = {
    "created": "was created",
    "updated": "was updated",
    "unchanged": "is on record as it was",
    "kept": "is kept as it was",
    "deleted": "was deleted",
    "gone": "is not here, so there was nothing to delete",
}


@dataclass(frozen=True, slots=True)
class FhirClient:
    """Who asks, of which pipeline, under which address of this server, and how answers are preferred."""

    pipeline: Pipeline
    base: str
    request_id: str
    prefer: str
    """`representation`, `minimal`, `OperationOutcome`, or empty when the client does not say."""
    sender: Sender

    def seen(self, letter: str, kind: str, one_record: bool | None = None) -> Pipeline:
        """The pipeline as the client sees it in an interaction (`r` or `s`) on a type. 403 when no scope grants that."""
        return seen(self.pipeline, self.sender.grant, letter, kind, one_record)

    def received(self, text: bytes, interaction: str, place: int | None = None) -> Received:
        """A message of this client; `place` tells the entries of a batch apart."""
        number = self.request_id if place is None else f"{self.request_id}-{place}"
        return Received(f"fhir {interaction}", text, number, plain=False, interaction=interaction, sender=self.sender)


@dataclass(frozen=True, slots=True)
class Reply:
    """What one interaction answers; `body` is JSON text, `reference` a version such as `Patient/1/_history/2`."""

    status: int
    body: str = ""
    reference: str = ""
    version: int = 0
    last_updated: str = ""
    case_number: str = ""
    sentence: str = ""
    warnings: tuple[Problem, ...] = ()
    not_applied: bool = False

    @property
    def etag(self) -> str:
        """The ETag of the version; empty without one."""
        return f'W/"{self.version}"' if self.version else ""


def client_of(request: Request) -> FhirClient:
    """The client of a request."""
    base = base_of(request)
    prefer = _preferred(request.headers.get("prefer", ""))
    return FhirClient(pipeline_of(request), base, request.state.request_id, prefer, sender_of(request))


def _preferred(header: str) -> str:
    """The `return` of a Prefer header (https://hl7.org/fhir/R4/http.html#ops)."""
    for part in header.replace(";", ",").split(","):
        name, _, value = part.partition("=")
        if name.strip().lower() == "return" and value.strip().lower() in _PREFERENCES:
            return _PREFERENCES[value.strip().lower()]
    return ""


def known_type(kind: str) -> None:
    """Refused with 404 when the service holds no resources of a type."""
    if kind not in TYPES:
        raise refuse(Category.NOT_FOUND, f"«{kind}» is not a resource type this service holds.")


def written(outcome: Outcome, case_number: str) -> Reply:
    """What became of one resource."""
    status = {"created": 201, "deleted": 204, "gone": 204}.get(outcome.what, 200)
    sentence = outcome.note or f"{outcome.reference} {_WORDS[outcome.what]}."
    reference = f"{outcome.reference}/_history/{outcome.version}" if outcome.version else ""
    return Reply(
        status,
        outcome.body,
        reference,
        outcome.version,
        outcome.last_updated,
        case_number,
        sentence,
        outcome.warnings,
        bool(outcome.note),
    )


def written_alone(answer: Answer) -> Reply:
    """What became of the only resource a client sent."""
    return written(answer.outcomes[0], answer.case_number)


def refused(error: Refused) -> Reply:
    """A refusal as a reply."""
    return Reply(STATUS[error.problems[0].category], write(operation_outcome(error.problems)))


def _told(reply: Reply) -> Resource:
    """What its sender should know of a resource; what became of it when that is all there is, or not what was asked."""
    outcome = operation_outcome(reply.warnings, "warning")
    if reply.not_applied or not reply.warnings:
        outcome["issue"] += all_well(reply.sentence)["issue"]
    return outcome


def http_date(instant: str) -> str:
    """A FHIR instant as an HTTP date."""
    return format_datetime(datetime.fromisoformat(instant), usegmt=True)


def response_of(request: Request, reply: Reply, prefer: str = "representation") -> Response:
    """A reply as the response to a request of its own."""
    headers: dict[str, str] = {}
    if reply.reference and request.method in ("POST", "PUT"):
        headers["Location"] = f"{base_of(request)}/{reply.reference}"
    if reply.etag:
        headers["ETag"] = reply.etag
    if reply.last_updated:
        headers["Last-Modified"] = http_date(reply.last_updated)
    if reply.case_number:
        headers["X-Case-Number"] = reply.case_number
    if prefer == "OperationOutcome" and reply.status < 300:
        status = 200 if reply.status == 204 else reply.status
        return fhir_response(request, _told(reply), status, headers)
    if reply.status in (204, 304) or (prefer == "minimal" and reply.status < 300):
        return Response(status_code=reply.status, headers=headers)
    return fhir_response(request, reply.body, reply.status, headers)


def fhir_response(request: Request, data: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """JSON-ready data or JSON text as a response in the settled media type; without its body for HEAD."""
    text = data if isinstance(data, str) else write(data)
    if wants_pretty(request):
        text = write_pretty(load(text))
    content = text.encode()
    told = {**(headers or {}), "Content-Length": str(len(content))}
    return Response(b"" if request.method == "HEAD" else content, status, told, media_type=media_of(request))


def entry_of(reply: Reply, prefer: str, read: bool = False) -> Resource:
    """A reply as an entry of a response Bundle. What was read is always shown, what was written when preferred."""
    response: Resource = {"status": f"{reply.status} {HTTPStatus(reply.status).phrase}"}
    if reply.reference and not read:
        response["location"] = reply.reference
    if reply.etag:
        response["etag"] = reply.etag
    if reply.last_updated:
        response["lastModified"] = reply.last_updated
    if reply.status >= 400:
        response["outcome"] = load(reply.body)
    elif not read and (prefer == "OperationOutcome" or reply.warnings or reply.not_applied):
        response["outcome"] = _told(reply)
    shown = reply.status < 300 and reply.body and (read or prefer == "representation")
    return {**({"resource": load(reply.body)} if shown else {}), "response": response}
