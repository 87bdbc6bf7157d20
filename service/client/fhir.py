"""The FHIR doors with typed resources (https://hl7.org/fhir/R4/http.html)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.observation import Observation
from fhir.resources.R4B.operationoutcome import OperationOutcome
from fhir.resources.R4B.resource import Resource

from service.client.failure import no_answer
from service.client.sending import Request, Sender
from service.client.typed import AnyResource, as_resource, written

_MEDIA = "application/fhir+json"
_MOST_PAGES = 10_000


class Fhir:
    """The FHIR base of one server. Every method raises RelayError when the server refuses."""

    def __init__(self, sender: Sender) -> None:
        self._sender = sender

    def read(self, kind: type[AnyResource], resource_id: str) -> AnyResource:
        """A resource as it stands."""
        return self._got(kind, f"{_name(kind)}/{_id(resource_id)}")

    def vread(self, kind: type[AnyResource], resource_id: str, version: str) -> AnyResource:
        """One version of a resource."""
        return self._got(kind, f"{_name(kind)}/{_id(resource_id)}/_history/{_id(version)}")

    def create(self, resource: AnyResource) -> AnyResource:
        """The resource as it was stored. Never repeated by itself: a lost answer leaves open whether it is there."""
        return self._sent(resource, Request("POST", f"/fhir/{_name(type(resource))}"))

    def create_if_none(self, resource: AnyResource, condition: str) -> AnyResource:
        """A conditional create: the resource that `condition` finds, such as `identifier=system|value`, else a new one."""
        headers = {"If-None-Exist": condition}
        path = f"/fhir/{_name(type(resource))}"
        return self._sent(resource, Request("POST", path, headers=headers, repeatable=True))

    def update(self, resource: AnyResource) -> AnyResource:
        """Replace a resource that was read before, if it still has the version in its `meta`; 412 when it has another."""
        version = resource.meta.versionId if resource.meta else None
        if not resource.id or not version:
            raise no_answer("An update needs a resource that was read: with id and meta.versionId.")
        path = f"/fhir/{_name(type(resource))}/{_id(resource.id)}"
        return self._sent(resource, Request("PUT", path, headers={"If-Match": f'W/"{version}"'}, repeatable=True))

    def delete(self, kind: type[Resource], resource_id: str) -> None:
        """Delete a resource of a type of which clients delete."""
        self._sender.send(Request("DELETE", f"/fhir/{_name(kind)}/{_id(resource_id)}", repeatable=True))

    def search(self, kind: type[AnyResource], *parameters: tuple[str, str]) -> Iterator[AnyResource]:
        """Every match, page by page as it is asked for; what was included stands in `pages`.

        `parameters` are names and values, such as ("status", "final"); a name may stand there again.
        """
        for page in self.pages(f"{_name(kind)}", *parameters):
            for entry in page.entry or []:
                mode = entry.search.mode if entry.search else "match"
                if mode == "match" and isinstance(entry.resource, kind):
                    yield entry.resource

    def history(self, kind: type[AnyResource], resource_id: str = "") -> Iterator[AnyResource]:
        """Versions of a resource, or of all of its type, the newest first; a deletion has none."""
        address = f"{_name(kind)}/{_id(resource_id)}/_history" if resource_id else f"{_name(kind)}/_history"
        for page in self.pages(address):
            for entry in page.entry or []:
                if isinstance(entry.resource, kind):
                    yield entry.resource

    def everything(self, patient_id: str, *parameters: tuple[str, str]) -> Iterator[Resource]:
        """The whole record of a patient ($everything), of any type."""
        for page in self.pages(f"Patient/{_id(patient_id)}/$everything", *parameters):
            for entry in page.entry or []:
                if isinstance(entry.resource, Resource):
                    yield entry.resource

    def pages(self, path: str, *parameters: tuple[str, str]) -> Iterator[Bundle]:
        """The pages of a list below the base. Their `next` links are followed on this server alone."""
        request = Request("GET", f"/fhir/{path}", parameters, repeatable=True)
        for _ in range(_MOST_PAGES):
            page = as_resource(self._sender.send(request).text, Bundle)
            yield page
            following = [link.url for link in page.link or [] if link.relation == "next"]
            if not following:
                return
            request = Request("GET", self._sender.address_here(str(following[0])), repeatable=True)
        raise no_answer(f"The list has more than {_MOST_PAGES} pages.")

    def transaction(self, bundle: Bundle) -> Bundle:
        """A transaction or batch, as `bundle.type` says. Never repeated by itself."""
        request = Request("POST", "/fhir", content=written(bundle), media=_MEDIA)
        return as_resource(self._sender.send(request).text, Bundle)

    def validate(self, resource: Resource) -> OperationOutcome:
        """What the server finds wrong with a resource ($validate); nothing is stored."""
        path = f"/fhir/{_name(type(resource))}/$validate"
        request = Request("POST", path, content=written(resource), media=_MEDIA, repeatable=True)
        return as_resource(self._sender.send(request).text, OperationOutcome)

    def readiness(self, case_number: str, as_of: date | None = None) -> Observation:
        """The decision whether a case is ready for its test (CarePlan/{case_number}/$readiness), today or as of a day."""
        parameters = (("asOf", as_of.isoformat()),) if as_of else ()
        path = f"/fhir/CarePlan/{_id(case_number)}/$readiness"
        return as_resource(self._sender.send(Request("GET", path, parameters, repeatable=True)).text, Observation)

    def _got(self, kind: type[AnyResource], path: str) -> AnyResource:
        return as_resource(self._sender.send(Request("GET", f"/fhir/{path}", repeatable=True)).text, kind)

    def _sent(self, resource: AnyResource, request: Request) -> AnyResource:
        sent = Request(
            request.method,
            request.path,
            content=written(resource),
            media=_MEDIA,
            headers=request.headers,
            repeatable=request.repeatable,
        )
        return as_resource(self._sender.send(sent).text, type(resource))


def _name(kind: type[Resource]) -> str:
    return kind.get_resource_type()


def _id(text: str) -> str:
    """An id as R4 allows it (https://hl7.org/fhir/R4/datatypes.html#id), so that it is one step of an address."""
    if not text or len(text) > 64 or not all(c.isascii() and (c.isalnum() or c in "-.") for c in text):
        raise no_answer("An id has letters, digits, - and . alone, at most 64.")
    return text
