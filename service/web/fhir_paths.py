"""The parts of addresses below the FHIR base, as the OpenAPI description tells them."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path

from service.fhir.validate import TYPES

Kind = Annotated[str, Path(description="A resource type", json_schema_extra={"enum": list(TYPES)})]
Id = Annotated[str, Path(description="The id of a resource", json_schema_extra={"pattern": r"^[A-Za-z0-9\-.]{1,64}$"})]
Version = Annotated[
    str, Path(description="The number of a version", json_schema_extra={"pattern": r"^[1-9][0-9]{0,8}$"})
]
