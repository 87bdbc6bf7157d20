"""FHIR resources as typed models, read from JSON and written to it without losing a digit of a decimal.

The models are those of `fhir.resources.R4B` (FHIR 4.3.0). Of what version 8 of that package holds they are the nearest to
R4 4.0.1: its top level is R5 and its other branch STU3. Every resource in the recorded answers of the service
(`tests/answers/`) can be read as one of them, and is written again with the same elements and values.

The models keep a decimal as `Decimal` with its digits but write it as a float (12.50 becomes 12.5); `written` puts the
digits back. An instant keeps its moment and offset, not the number of zeros in its fraction of a second.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any, TypeVar

from fhir.resources.R4B import get_fhir_model_class
from fhir.resources.R4B.resource import Resource
from pydantic import BaseModel

from service.client.failure import no_answer
from service.client.json_text import dumped, loaded_object

AnyResource = TypeVar("AnyResource", bound=Resource)


def as_resource(text: str, kind: type[AnyResource]) -> AnyResource:
    """The resource of one type that a text holds. RelayError when it holds none."""
    body = loaded_object(text)
    try:
        found = get_fhir_model_class(str(body.get("resourceType"))).model_validate(body)
    except (LookupError, ValueError):
        found = None  # the library's error holds the values of the resource, and goes no further
    if not isinstance(found, kind):
        raise no_answer(f"The answer is no {kind.get_resource_type()} that this client can read.")
    return found


def written(resource: Resource) -> str:
    """A resource as JSON, its decimals with their digits."""
    return dumped(_with_digits(resource, resource.model_dump(mode="json")))


def _with_digits(model: Any, plain: Any) -> Any:
    if isinstance(model, Decimal):
        return model
    if isinstance(model, BaseModel):
        fields: dict[Any, str] = {field.alias or name: name for name, field in type(model).model_fields.items()}
        return {key: _with_digits(getattr(model, fields.get(key) or key, None), part) for key, part in plain.items()}
    if isinstance(model, list):
        return [_with_digits(item, part) for item, part in zip(model, plain, strict=True)]
    return plain
