"""FHIRPath expressions from paths with JSON names: `value` for `valueQuantity` (http://hl7.org/fhirpath/N1/)."""

from __future__ import annotations

from service.fhir.conformance import base


def expression_of(path: str, kind: str) -> str:
    """A path inside a resource of type `kind`, such as `.component[0].valueQuantity.code`, as FHIRPath writes it."""
    if not base.is_resource(kind):
        return path
    shape: base.Shape | None = base.shape_of(kind)
    steps = path.split(".")
    for at, step in enumerate(steps):
        name, bracket, index = step.partition("[")
        element = shape.elements.get(name) if shape else None
        if element is not None:
            steps[at] = f"{element.stem}{bracket}{index}"
            shape = element.shape
        elif name:
            shape = None
    return ".".join(steps)


def holders_of(place: str) -> list[str]:
    """The places that hold a place, outermost first; of an item also its whole list."""
    return [place[:at] for at, sign in enumerate(place) if sign in ".["]
