"""The CapabilityStatement, made from the interactions that are really routed.

https://hl7.org/fhir/R4/capabilitystatement.html
"""

from __future__ import annotations

from collections.abc import Set

from service import __version__
from service.fhir.build import Resource
from service.fhir.codes import BASE
from service.fhir.engine import CAUTION
from service.fhir.interactions import CLIENT_IDS, DELETABLE
from service.fhir.json_limits import MAX_DEPTH, MAX_KEYS, MAX_REPETITIONS, MAX_VALUES
from service.fhir.outcome import MOST_PROBLEMS
from service.fhir.profile_index import profiles_by_type
from service.fhir.search_parameters import PARAMETERS, RESOURCE_PARAMETERS, includes_of, reverse_includes_of
from service.fhir.smart import security
from service.fhir.subscription import subscription_capability
from service.fhir.validate import MADE_BY_THE_SERVICE, TYPES

_TYPE_INTERACTIONS = (
    "read",
    "vread",
    "history-instance",
    "history-type",
    "search-type",
    "create",
    "update",
    "delete",
)
_WRITES = ("create", "update")
_WRITTEN_WHOLE = "PATCH and conditional delete are not taken: send a whole resource with PUT, delete one by its id."
_LIMITS = (
    f"A body holds at most {MAX_VALUES} values, {MAX_REPETITIONS} items in a list, {MAX_KEYS} keys in an object and "
    f"{MAX_DEPTH} levels. An answer lists {MOST_PROBLEMS} problems and counts the others."
)


def capability_statement(routed: Set[str], base_url: str, access_is_on: bool = False) -> Resource:
    """What a server can do that routes the interactions in `routed`."""
    operations = [
        {"name": code.split(":")[1], "definition": _DEFINITIONS[code.split(":")[1]]}
        for code in sorted(routed)
        if code.startswith("operation:")
    ]
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-11-25",
        "kind": "instance",
        "software": {"name": "Airway Relay", "version": __version__},
        "implementation": {"description": CAUTION, "url": base_url},
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [
            {
                "mode": "server",
                "security": security(access_is_on),
                "resource": [*(_type(kind, routed) for kind in TYPES), subscription_capability()],
                "documentation": f"{_WRITTEN_WHOLE} {_LIMITS}",
                "interaction": [{"code": c} for c in ("transaction", "batch") if "transaction" in routed],
                "operation": operations,
            }
        ],
    }


_DEFINITIONS = {
    "everything": "http://hl7.org/fhir/OperationDefinition/Patient-everything",
    "letter": f"{BASE}/OperationDefinition/letter",
    "readiness": f"{BASE}/OperationDefinition/readiness",
    "validate": "http://hl7.org/fhir/OperationDefinition/Resource-validate",
}


def _type(kind: str, routed: Set[str]) -> Resource:
    own = kind in MADE_BY_THE_SERVICE
    profiles = profiles_by_type().get(kind)
    interactions = [c for c in _TYPE_INTERACTIONS if c in routed and _taken(kind, c)]
    declared = [{"name": n, "definition": url, "type": sort} for n, (sort, url) in RESOURCE_PARAMETERS.items()]
    declared += [{"name": p.name, "definition": p.definition, "type": p.kind.value} for p in PARAMETERS[kind].values()]
    includes = {"searchInclude": includes_of(kind), "searchRevInclude": reverse_includes_of(kind)}
    return {
        "type": kind,
        **({"supportedProfile": profiles} if profiles else {}),
        "interaction": [{"code": code} for code in interactions],
        "versioning": "versioned-update",
        "readHistory": True,
        "updateCreate": "update" in interactions and kind in CLIENT_IDS,
        "conditionalCreate": "create" in interactions,
        "conditionalRead": "full-support",
        "conditionalUpdate": "conditional-update" in routed and not own,
        "conditionalDelete": "not-supported",
        "referencePolicy": ["literal", "local", "enforced"],
        **{name: held for name, held in includes.items() if held},
        "searchParam": declared,
    }


def _taken(kind: str, code: str) -> bool:
    """Whether an interaction that is routed is taken for a type."""
    if code == "delete":
        return kind in DELETABLE
    return code not in _WRITES or kind not in MADE_BY_THE_SERVICE
