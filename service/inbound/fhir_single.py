"""Single writes of a client: create, update and delete, plain and conditional.

https://hl7.org/fhir/R4/http.html#create, #update, #cond-update and #delete
"""

from __future__ import annotations

from service.errors import Category, refuse
from service.fhir.build import Draft, Resource
from service.fhir.check_in import with_derived
from service.inbound.bundle_links import Addresses
from service.inbound.fhir_resource import (
    condition_of,
    conditionally_updating,
    deletion,
    draft_of,
    not_theirs,
    same_type,
    updating,
    with_condition,
)
from service.inbound.plain import Mapped

_NEW = "urn:new:resource"


def map_create(resource: Resource, kind: str, if_none_exist: str | None, base: str = "") -> Mapped:
    """One resource to create, unless one with the identifier of If-None-Exist is there."""
    same_type(resource, kind)
    draft = draft_of(resource, kind, _NEW, kind)
    if if_none_exist is not None:
        with_condition(draft, condition_of(if_none_exist, "If-None-Exist", kind), updates=False)
    return _mapped(draft, base)


def map_update(resource: Resource, kind: str, resource_id: str, if_match: str | None, base: str = "") -> Mapped:
    """One resource to update, at the version the client read."""
    same_type(resource, kind)
    if resource.get("id") != resource_id:
        raise refuse(
            Category.MISMATCHED, f"The id in the body must be «{resource_id}» as in the address.", f"{kind}.id"
        )
    draft = draft_of(resource, kind, f"{kind}/{resource_id}", kind, besides=not_theirs(resource_id, kind))
    return _mapped(updating(draft, resource_id, if_match, "If-Match"), base)


def map_conditional_update(resource: Resource, kind: str, query: str, if_match: str | None, base: str = "") -> Mapped:
    """One resource to update where one with an identifier is there, and to create otherwise."""
    same_type(resource, kind)
    condition = condition_of(query, "A conditional update", kind)
    draft = draft_of(resource, kind, _NEW, kind)
    return _mapped(conditionally_updating(draft, resource.get("id"), condition, if_match, "If-Match"), base)


def map_delete(kind: str, resource_id: str, if_match: str | None) -> Mapped:
    """One resource to delete."""
    return Mapped([deletion(kind, resource_id, if_match, kind, "If-Match")], agent="FHIR client")


def _mapped(draft: Draft, base: str) -> Mapped:
    draft.resource = Addresses(base).rewritten(draft.resource, "")
    return Mapped(with_derived(draft), agent="FHIR client")
