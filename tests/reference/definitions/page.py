"""The page of `profiles/`: every profile as a table a person can read."""

from __future__ import annotations

from service.fhir.codes import BASE
from tests.reference.definitions import PROFILES
from tests.reference.definitions.shape import Element, Profile, Resource
from tests.reference.definitions.value_sets import VALUE_SETS

HEAD = f"""# Published definitions

Base of every canonical URL: `{BASE}`. FHIR R4 (4.0.1).

This page, the StructureDefinitions and the ValueSets are made by `tests/reference/definitions/` and kept equal to it by
`tests/test_profiles.py`, which also says how to write them anew. `tests/reference/test_reference.py` has an independent
validator judge everything the service emits by them, and breaks every line of every profile to show that it holds.

| file | what it defines |
|---|---|
| `CodeSystem-airway-relay-terms.json` | codes for facts and decisions that no published code system was found to hold; made from `service/fhir/codes.py` |
| `Questionnaire-check-in.json` | the patient's check-in; a QuestionnaireResponse to it is read as a fact, and Observations are derived from it |
| `OperationDefinition-readiness.json` | `CarePlan/{{id}}/$readiness` |
| `OperationDefinition-letter.json` | `CarePlan/{{id}}/$letter`: the letter to the physician as a document Bundle |
| one `StructureDefinition` per profile | what a resource must look like to be used by the rules, as a difference from base R4 |
| one `ValueSet` per list of codes | the codes that may stand in a bound element |

`service/fhir/profile_index.py` says which profile a resource belongs to; whatever is sent as FHIR is judged by it, and
`service/fhir/conformance/` stops the start-up at a feature of a profile that it does not know. Bounds of values are those of
`service/rules/limits.py`. Where US Core 7.0.0 has a profile for a type, the elements it asks for are asked for here;
no conformance with US Core is claimed beyond that. Elements a profile does not name stay as in base R4.
"""


def page() -> str:
    """The whole page as Markdown."""
    parts = [HEAD, "## Profiles\n", "| profile | type | what it is |", "|---|---|---|"]
    parts += [f"| [{p.id}](#{p.id}) | {p.kind} | {p.description} |" for p in PROFILES]
    parts += ["", "## Value sets\n", "| value set | codes | what it is |", "|---|---|---|"]
    for value_set in VALUE_SETS:
        codes = ", ".join(f"`{code}`" for _, held in value_set.codes for code in held)
        parts.append(f"| {value_set.id} | {codes} | {value_set.description} |")
    for profile in PROFILES:
        parts += ["", *_section(profile)]
    return "\n".join(parts) + "\n"


def _section(profile: Profile) -> list[str]:
    rows = [f"| {_name(e)} | {e.cardinality or '–'} | {_must(e)} | {e.why or '–'} |" for e in profile.all_elements]
    return [
        f"## {profile.id}\n",
        f"{profile.title} ({profile.kind}). {profile.description}\n",
        "| element | cardinality | must be | why |",
        "|---|---|---|---|",
        *rows,
    ]


def _name(element: Element) -> str:
    return f"`{element.path}`" if element.path else "the whole resource"


def _must(element: Element) -> str:
    """Everything an element is held to, in words."""
    said: list[str] = []
    if element.targets:
        said.append(f"reference to {', '.join(element.targets)}")
    elif element.types:
        said.append(", ".join(element.types))
    for held in (element.fixed, element.pattern):
        if held:
            said.append(_value(held[1]))
    if element.value_set:
        said.append(f"a code of {element.value_set}")
    if element.sliced_by:
        said.append(f"sliced by {element.sliced_by}, {'no others' if element.closed else 'others allowed'}")
    said += [f"{rule.human} (`{rule.key}`)" for rule in element.rules]
    return "; ".join(said).replace("|", "\\|") or "–"


def _value(value: Resource | str) -> str:
    if isinstance(value, str):
        return f"`{value}`"
    coding = value.get("coding", [value])[0]
    return f"`{coding['code']}` of {coding['system']}"
