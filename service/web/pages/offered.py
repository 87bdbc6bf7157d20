"""Which forms a page offers to whom: those that their office may use, none in an emergency. What is stored is decided by the pipeline anyhow."""

from __future__ import annotations

from fastapi import Request

from service.access.duties import WORDS
from service.access.grant import Office
from service.errors import Category, refuse
from service.fhir.referral_task import Role
from service.web.exchange import grant_of
from service.web.pages.catalogue import FORMS
from service.web.pages.form_fields import Form

_BOTH = frozenset({Office.DENTAL_OFFICE, Office.PHYSICIAN})
_OWN = {"red-flag": frozenset(Office), "efficacy-test": frozenset({Office.SLEEP_LAB, Office.PHYSICIAN})}
"""Forms for other offices than those whose door their message goes through."""
_USERS = {Role.FULFILLER: frozenset({Office.DENTAL_OFFICE}), Role.PLACER: frozenset({Office.PHYSICIAN})}


def users_of(form: Form) -> frozenset[Office]:
    """The kinds of office whose form it is."""
    return _OWN.get(form.key) or _USERS.get(form.role, _BOTH)


def offered(request: Request) -> dict[str, Form]:
    """The forms that whoever asks may use, by key, in the order of the catalogue."""
    grant = grant_of(request)
    offices = frozenset() if grant.emergency else grant.offices
    return {key: form for key, form in FORMS.items() if users_of(form) & offices}


def makes_links(request: Request) -> bool:
    """Whether whoever asks may make a link by which a patient checks in."""
    grant = grant_of(request)
    return Office.DENTAL_OFFICE in grant.offices and not grant.emergency


def needs_offer(request: Request, form: Form) -> Form:
    """The form. Refused with 403 for an office whose form it is not."""
    if form.key not in offered(request):
        whose = " or ".join(WORDS[office] for office in sorted(users_of(form)))
        raise refuse(Category.FORBIDDEN, f"«{form.title}» is entered by {whose}.")
    return form
