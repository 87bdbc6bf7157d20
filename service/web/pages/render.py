"""Templates to pages: escaping always on, a strict Content-Security-Policy, the words templates share."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from service.access.duties import WORDS
from service.access.grant import OPEN, Grant, Office
from service.fhir.build import unit_words
from service.fhir.dates import day_of
from service.fhir.engine import CAUTION
from service.rules.words import day, number, spoken
from service.web import csrf
from service.web.pages.reasons import cited
from service.web.session_cookie import session_of

_WEB = Path(__file__).parent.parent
_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
"""Of every page. A form's Origin is told to ourselves only while referrers within the site are allowed."""
_PARTIES = {
    "physician": "the physician's",
    "dentist": "the dentist's",
    "patient": "the patient's",
    "sleep lab": "the sleep lab's",
    "nobody": "nobody's",
}


class _Environment(Environment):
    """A dictionary's keys go before its methods, and are found at the first look."""

    def getattr(self, obj: Any, attribute: str) -> Any:
        """What `obj.attribute` is in a template."""
        if type(obj) is dict and attribute in obj:
            return obj[attribute]
        return super().getattr(obj, attribute)


@cache
def _templates() -> Environment:
    environment = _Environment(
        loader=FileSystemLoader(_WEB / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(day=_day, number=_number, spoken=_spoken, unit=unit_words, stored=_stored, svg=Markup)
    environment.filters.update(offices=_offices, cited=cited)
    environment.globals.update(CAUTION=CAUTION, whose=_PARTIES, version=_version)
    environment.globals.update(shape=cache(environment.get_template("shapes.html").module.shape))  # type: ignore[attr-defined]
    return environment


def _version(reference: str, number: int) -> Markup:
    """A link to one version of a resource, named by its type and the end of its id."""
    kind, _, name = reference.partition("/")
    link = Markup('<a href="/fhir/{}/_history/{}">{} …{}, version {}</a>')  # its format escapes what is put in
    return link.format(reference, number, kind, name[-4:], number)


def page(request: Request, template: str, status: int = 200, **shown: Any) -> Response:
    """A template as a page; `shown` are the values it may use."""
    session = session_of(request)
    used: Grant = getattr(request.state, "grant", OPEN)
    known = {"token": csrf.token_of(request), "token_field": csrf.FIELD} if session else {}
    shown = {"session": session, "emergency": used.emergency, "path": request.url.path, **known, **shown}
    text = _templates().get_template(template).render(shown)
    return Response(text, status, HEADERS, media_type="text/html; charset=utf-8")


def _day(value: str | date | None) -> str:
    """A day in words; nothing for none."""
    if not value:
        return ""
    return day(value if isinstance(value, date) else day_of(value[:10]))


def _number(value: Decimal | int | None) -> str:
    return "" if value is None else number(value)


def _spoken(code: str) -> str:
    """A code of ours as words, beginning with a capital letter."""
    words = spoken(code)
    return words[:1].upper() + words[1:]


def _offices(offices: Iterable[Office]) -> str:
    return " and ".join(WORDS[office] for office in sorted(offices))


def _stored(instant: str) -> str:
    """When a version was stored: day and minute, in UTC."""
    return f"{day(day_of(instant[:10]))}, {instant[11:16]} UTC" if instant else ""
