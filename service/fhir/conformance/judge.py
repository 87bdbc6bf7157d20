"""The verdict on one resource: base R4 always, and the profiles it names or belongs to."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.conformance import base
from service.fhir.conformance.differential import CORE
from service.fhir.conformance.expression import holders_of
from service.fhir.conformance.issue import ERROR, Findings, Issue, Where, shown
from service.fhir.conformance.profile_check import check_profile
from service.fhir.conformance.published import published, questionnaires
from service.fhir.conformance.questionnaires import check_answers
from service.fhir.conformance.structure import check
from service.fhir.json_parts import is_list, is_object
from service.fhir.profile_index import profile_of

_VERSION = "1.0.0"


def issues_of(resource: dict[str, Any], profile: str | None = None) -> list[Issue]:
    """Everything there is to say of a resource of any R4 type; no error among it means that it is valid.

    `profile` is the canonical URL of one more profile to keep to. Never raises, whatever JSON it is given.
    """
    findings = Findings()
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or not kind:
        findings.wrong(Where(None, "resourceType"), "«resourceType» is required.")
        return findings.issues
    if not base.is_resource(kind):
        findings.wrong(Where(None, "resourceType"), f"«{shown(kind)}» is not a resource type of R4.")
        return findings.issues
    where = Where(None, kind)
    for inner, spot in check(resource, kind, where, findings):
        for url, place in _declared(inner, spot, findings):
            _against(url, inner, spot, place, findings)
    belongs = profile_of(resource)
    asked = dict(_declared(resource, where, findings))
    if belongs:
        asked.setdefault(belongs, where)
    if profile is not None and _known(profile, where, findings, is_asked=True):
        asked.setdefault(_bare(profile), where)
    for url, place in asked.items():
        _against(url, resource, where, place, findings)
    if kind == "QuestionnaireResponse":
        answered = questionnaires().get(str(resource.get("questionnaire")).split("|")[0])
        if answered:
            check_answers(answered, resource, where, findings)
    return _without_echoes(list(dict.fromkeys(findings.issues)))


def _without_echoes(issues: list[Issue]) -> list[Issue]:
    """Without what a profile says of a place whose value is no valid R4 already."""
    told = {issue.expression for issue in issues if issue.severity == ERROR and not issue.asked_by}
    if not told or not any(issue.asked_by for issue in issues):
        return issues
    around = {outer for place in told for outer in _around(place)}
    return [i for i in issues if not i.asked_by or not _meets(i.expression, told, around)]


def _meets(place: str, told: set[str], around: set[str]) -> bool:
    """Whether a place is one of those `told`, lies in one or holds one, and neither is the whole resource."""
    return place in told or place in around or any(outer in told for outer in _around(place))


def _around(place: str) -> list[str]:
    """The places that hold a place, without the whole resource."""
    return [holder for holder in holders_of(place) if "." in holder]


def _declared(resource: dict[str, Any], where: Where, findings: Findings) -> Iterator[tuple[str, Where]]:
    """The profiles known here that a resource names in `meta.profile`, and where it names them."""
    meta = resource.get("meta")
    named = meta.get("profile") if is_object(meta) else None
    for index, url in enumerate(named if is_list(named) else []):
        place = where.at("meta").at("profile", index)
        if isinstance(url, str) and url and _known(url, place, findings, is_asked=False):
            yield _bare(url), place


def _bare(url: str) -> str:
    return url.removesuffix(f"|{_VERSION}")


def _known(url: str, place: Where, findings: Findings, is_asked: bool) -> bool:
    """Whether a profile can be checked; if not, that is said: an error when the check was asked for by name."""
    if _bare(url) in published() or (url.startswith(CORE) and base.is_type(url.removeprefix(CORE))):
        return True
    sentence = f"The profile {shown(url)} is not known here and was not checked."
    (findings.wrong if is_asked else findings.unknown)(place, sentence)
    return False


def _against(url: str, resource: dict[str, Any], where: Where, place: Where, findings: Findings) -> None:
    profile = published().get(url)
    kind = profile.kind if profile else url.removeprefix(CORE)
    if resource.get("resourceType") != kind:
        findings.wrong(place, f"The profile {shown(url)} is one of {kind}, not of {resource.get('resourceType')}.")
    elif profile:
        check_profile(profile, resource, where, findings)
