"""Which addresses are pages for people, and which of the API they link to, so that a session opens these and no other."""

from __future__ import annotations

import re

_PAGES = re.compile(
    r"/|/physician|/emergency|/sign-out|/cases/[^/]{1,80}/(?:page|reasons|letter|sheet|letter\.pdf|sheet\.pdf|check-in-link(?:/end)?)"
    r"|/cases/[^/]{1,80}/forms/[^/]{1,80}(?:/[^/]{1,200}(?:/withdraw)?)?"
)
_READS = re.compile(r"/fhir/(?!Subscription/)[A-Z][A-Za-z]{1,63}/[A-Za-z0-9.-]{1,64}(?:/_history/[0-9]{1,9})?")
_OF_A_CASE = re.compile(r"/cases/([^/]{1,80})/")
_LOCAL = re.compile(r"(/[A-Za-z0-9_./-]{0,300})(?:\?[A-Za-z0-9_.~=&+-]{0,300})?")


def is_page(path: str) -> bool:
    """Whether a page for people is at a path."""
    return _PAGES.fullmatch(path) is not None


def is_linked_read(path: str) -> bool:
    """Whether at a path there is one resource, or one version of it, as pages link to it."""
    return _READS.fullmatch(path) is not None


def about_of(path: str) -> str:
    """What a page, or a resource it links to, is about: a reference, `CarePlan/number` for a case; else empty."""
    if found := _OF_A_CASE.match(path):
        return f"CarePlan/{found[1]}"
    if is_linked_read(path):
        return "/".join(path.split("/")[2:4])
    return ""


def page_within(address: str) -> str:
    """An address of a page here, with its query; that of the board for whatever is anything else."""
    found = _LOCAL.fullmatch(address)
    return address if found and is_page(found[1]) and found[1] != "/sign-out" else "/"
