"""`airway-relay check FILE`: validate a FHIR resource, or every resource of a Bundle."""

from __future__ import annotations

import sys

from service.commands.files import read_object
from service.errors import Category, Problem
from service.fhir.build import Resource
from service.fhir.validate import validate


def check(file: str) -> int:
    """Print every problem with its FHIRPath expression; 0 when there is none, 1 otherwise."""
    body = read_object(file)
    if body is None:
        return 1
    found = list(_problems(body))
    for problem in found:
        print(f"{file}: {problem.path}: {problem.message}")
    checked = len(body["entry"]) if body.get("resourceType") == "Bundle" and isinstance(body.get("entry"), list) else 1
    print(f"{file}: {checked} resource(s) checked, {len(found)} problem(s)", file=sys.stderr)
    return 1 if found else 0


def _problems(body: Resource) -> list[Problem]:
    if body.get("resourceType") != "Bundle":
        return validate(body)
    if not isinstance(body.get("entry", []), list):
        return [Problem(Category.INVALID, "A list of entries is needed.", "Bundle.entry")]
    found: list[Problem] = []
    for index, entry in enumerate(body.get("entry", [])):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        found.extend(validate(resource if isinstance(resource, dict) else {}, f"Bundle.entry[{index}].resource"))
    return found
