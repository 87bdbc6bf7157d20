"""The Device that stands for this service's rules: which version, and which thresholds it works with.

A decision names one version of it, so that the thresholds it was made with can be read back exactly.
https://hl7.org/fhir/R4/device.html
"""

from __future__ import annotations

from decimal import Decimal

from service.fhir.build import Resource, quantity
from service.fhir.codes import BASE
from service.fhir.json_parts import is_object
from service.rules.site import Site
from service.rules.source import Source
from service.rules.thresholds import Thresholds

ENGINE_ID = "airway-relay-rules"
THRESHOLDS = f"{BASE}/CodeSystem/airway-relay-thresholds"
CAUTION = (
    "Decision support, not a diagnosis: licensed judgement and local rules decide. Feeling better does not show that the "
    "appliance works; single-night tests vary; self-reported wear over-reads."
)
_REGION = "region"
_NAMES = frozenset(t.name for t in Thresholds().all())


def rule_engine(version: str, site: Site) -> Resource:
    """The Device with the thresholds in force, each as a property in its unit, and the site's region if it has one."""
    properties: list[Resource] = [
        {
            "type": {"coding": [{"system": THRESHOLDS, "code": t.name}], "text": t.meaning},
            "valueQuantity": [quantity(t.value, t.unit)],
        }
        for t in site.thresholds.all()
    ]
    if site.region:
        properties.append({"type": {"text": _REGION}, "valueCode": [{"text": site.region}]})
    return {
        "resourceType": "Device",
        "id": ENGINE_ID,
        "status": "active",
        "deviceName": [{"name": "Airway Relay clinical rules", "type": "user-friendly-name"}],
        "version": [{"value": version}],
        "property": properties,
        "note": [{"text": CAUTION}],
    }


def site_of(engine: Resource) -> Site:
    """The site's settings as a version of the Device tells them. ValueError for one this release does not know."""
    values: dict[str, Decimal] = {}
    region = ""
    for held in engine["property"]:
        kind = held["type"]
        if "coding" in kind:
            values[kind["coding"][0]["code"]] = Decimal(held["valueQuantity"][0]["value"])
        elif kind["text"] == _REGION:
            region = held["valueCode"][0]["text"]
    return Site(Thresholds().with_values(values), region)


def is_threshold(code: str) -> bool:
    """Whether our code system of thresholds defines the code."""
    return code in _NAMES


def versioned(source: Source) -> Resource:
    """A reference to exactly one version of a resource."""
    return {"reference": f"{source.reference}/_history/{source.version}"}


def is_engine(reference: object) -> bool:
    """Whether a Reference leads to the rules of this service, in whatever version."""
    address = reference.get("reference") if is_object(reference) else None
    return isinstance(address, str) and address.split("/_history/")[0] == f"Device/{ENGINE_ID}"
