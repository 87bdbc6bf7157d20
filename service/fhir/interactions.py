"""Which interactions clients may use with which types (https://hl7.org/fhir/R4/http.html).

What a decision cites is never deleted: a fact reported in error stays, marked `entered-in-error`. Deleting is for
messages and documents about a case, which no decision reads.
"""

from __future__ import annotations

from service.fhir.build import SHARED
from service.fhir.validate import MADE_BY_THE_SERVICE

DELETABLE = frozenset({"Communication", "Composition", "DocumentReference"})
"""Types of which clients delete resources."""

CLIENT_IDS = SHARED | DELETABLE
"""Types whose resources clients may create by an update under an id of their own."""


def why_not_deleted(kind: str) -> str:
    """Why resources of a type are not deleted."""
    if kind in MADE_BY_THE_SERVICE:
        return f"{kind} is made by the service and cannot be deleted."
    if kind in SHARED:
        return f"{kind} is shared between cases and cannot be deleted; update it, for example with active false."
    return f"{kind} is part of the clinical record and cannot be deleted; update it as entered-in-error."
