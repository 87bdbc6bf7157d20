"""The FHIR base: https://hl7.org/fhir/R4/http.html. The CapabilityStatement is made from this table of routes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Depends, Request, Response

from service.fhir.capability import capability_statement
from service.web import fhir_openapi, fhir_search
from service.web.fhir_bundle import transaction
from service.web.fhir_create import create
from service.web.fhir_delete import delete
from service.web.fhir_operations import letter, readiness, validate_instance, validate_type
from service.web.fhir_read import read, vread
from service.web.fhir_reply import fhir_response
from service.web.fhir_update import conditional_update, update
from service.web.hosts import base_of
from service.web.negotiation import negotiate
from service.web.token_api import access_of


@dataclass(frozen=True, slots=True)
class RoutedInteraction:
    """One routed interaction: its FHIR code, method, address below the base, handler."""

    code: str
    method: str
    path: str
    handler: Callable[..., Any]


async def metadata(request: Request) -> Response:
    """What this server can do (https://hl7.org/fhir/R4/http.html#capabilities)."""
    codes = {i.code for i in INTERACTIONS}
    return fhir_response(request, capability_statement(codes, base_of(request), access_of(request) is not None))


INTERACTIONS = (
    RoutedInteraction("history-type", "GET", "/{kind}/_history", fhir_search.type_history),
    RoutedInteraction("read", "GET", "/{kind}/{resource_id}", read),
    RoutedInteraction("metadata", "GET", "/metadata", metadata),
    RoutedInteraction("transaction", "POST", "", transaction),
    RoutedInteraction("operation:readiness", "GET", "/CarePlan/{case_number}/$readiness", readiness),
    RoutedInteraction("operation:letter", "GET", "/CarePlan/{case_number}/$letter", letter),
    RoutedInteraction("operation:validate", "POST", "/{kind}/$validate", validate_type),
    RoutedInteraction("operation:validate", "POST", "/{kind}/{resource_id}/$validate", validate_instance),
    RoutedInteraction("create", "POST", "/{kind}", create),
    RoutedInteraction("search-type", "GET", "/{kind}", fhir_search.search),
    RoutedInteraction("search-type", "POST", "/{kind}/_search", fhir_search.search_by_post),
    RoutedInteraction("conditional-update", "PUT", "/{kind}", conditional_update),
    RoutedInteraction("operation:everything", "GET", "/Patient/{resource_id}/$everything", fhir_search.everything),
    RoutedInteraction("update", "PUT", "/{kind}/{resource_id}", update),
    RoutedInteraction("delete", "DELETE", "/{kind}/{resource_id}", delete),
    RoutedInteraction("history-instance", "GET", "/{kind}/{resource_id}/_history", fhir_search.history),
    RoutedInteraction("vread", "GET", "/{kind}/{resource_id}/_history/{version}", vread),
)
"""Tried in this order: reads come often, so they come first, behind the one address that would be taken for an id."""
_ALSO_HEAD = ("metadata", "read", "vread")
router = APIRouter(prefix="/fhir", tags=["FHIR R4"], dependencies=[Depends(negotiate)])
for interaction in INTERACTIONS:
    router.add_api_route(
        interaction.path,
        interaction.handler,
        methods=[interaction.method],
        response_class=Response,
        name=interaction.code,
        openapi_extra=fhir_openapi.operation(interaction.code, interaction.method),
    )
    if interaction.code in _ALSO_HEAD:
        router.add_api_route(
            interaction.path, interaction.handler, methods=["HEAD"], response_class=Response, include_in_schema=False
        )
