"""Mutants that the reference validator refuses and ours accepts on purpose, each with its reason.

Patterns as of fnmatch over the ids of mutants. One that matches none any more fails its test.
"""

from __future__ import annotations

ACCEPTED: dict[str, str] = {
    "bad primitive: * extension oid of three arcs": (
        "urn:oid:1.2.3 has the form that R4 gives for an oid (datatypes.html#oid); that it needs at least five arcs is "
        "a rule of the reference's own"
    ),
    "wrong reference: * to a type that R4 does not have": (
        "where a reference may lead to any resource its type is not looked at: one that leads to no type of R4 leads to "
        "nothing, as one to an unknown id does"
    ),
    "wrong code: decision-run dataRequirement.codeFilter.code relative system": (
        "a relative system of a plain Coding; R4 asks that a system be unambiguous and gives no form for it. In a "
        "CodeableConcept we refuse it"
    ),
}
