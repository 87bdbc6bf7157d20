"""`airway-relay check FILE`: validate a FHIR resource, or every resource of a Bundle."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from service.commands.files import read_object
from service.fhir.build import Resource
from service.fhir.conformance.issue import ERROR, Issue
from service.fhir.validate import NotCompiled, all_issues


def check(file: str) -> int:
    """Print every issue with its FHIRPath expression; 0 when there is no error among them, 1 otherwise."""
    body = read_object(file)
    if body is None:
        return 1
    try:
        found = list(_issues(body))
    except NotCompiled as error:
        print(f"airway-relay: the published profiles cannot be checked: {error}", file=sys.stderr)
        return 2
    for issue in found:
        mark = "" if issue.severity == ERROR else f"{issue.severity}: "
        print(f"{file}: {issue.expression}: {mark}{issue.message}")
    problems = sum(issue.severity == ERROR for issue in found)
    checked = len(body["entry"]) if body.get("resourceType") == "Bundle" and isinstance(body.get("entry"), list) else 1
    print(f"{file}: {checked} resource(s) checked, {problems} problem(s)", file=sys.stderr)
    return 1 if problems else 0


def _issues(body: Resource) -> Iterator[Issue]:
    if body.get("resourceType") != "Bundle":
        yield from all_issues(body)
        return
    entries = body.get("entry", [])
    if not isinstance(entries, list):
        yield Issue(ERROR, "structure", "Bundle.entry", "A list of entries is needed.")
        return
    for index, entry in enumerate(entries):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        yield from all_issues(resource if isinstance(resource, dict) else {}, f"Bundle.entry[{index}].resource")
