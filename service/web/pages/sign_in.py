"""Signing in and out: by an OpenID Connect provider, or by a link that does so once.

A link is opened by GET, which does nothing, so that whatever looks at addresses beforehand does not use it up; its button
signs in. What was begun is bound to the browser by a cookie, and each sign-in begins a session of its own.
"""

from __future__ import annotations

import re
import secrets
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.grant import Grant
from service.access.jose import NotTrusted
from service.errors import Category, Problem, refuse
from service.pipeline.access.open_id import BEGUN_SECONDS, OpenId, Unreachable
from service.pipeline.access.people import CLIENT, Person, grant_to
from service.pipeline.access.sign_in import SignIn
from service.web import csrf, session_cookie
from service.web.audit import note_sign_in
from service.web.page_paths import page_within
from service.web.pages.messages import posted
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute, refusal

router = APIRouter(tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_SECRET = re.compile(r"[A-Za-z0-9_-]{43}")
_NO_LINK = "This link signs nobody in: it was used, is older than ten minutes, or never was one. Ask for another."
_ELSEWHERE = "This did not come from this page, or the page is too old. Please try again."


@router.get("/sign-in")
async def sign_in(request: Request) -> Response:
    """How to sign in here."""
    parts, query = _parts(request), request.query_params
    to = page_within(query.get("next", "/"))
    start = f"/sign-in/start?{urlencode({'next': to})}" if parts.open_id else ""
    return page(request, "sign_in.html", start=start, links=parts.links, done=query.get("done") == "signed-out")


@router.get("/sign-in/start")
async def start(request: Request) -> Response:
    """To the provider, with a cookie that binds its answer to this browser."""
    provider, secret = _provider(request), secrets.token_urlsafe(32)
    try:
        address = await run_in_threadpool(provider.begin, secret)
    except Unreachable as reason:
        return refusal(request, (Problem(Category.BUSY, str(reason)),))
    response = _to(address)
    begun = f"{secret}{page_within(request.query_params.get('next', '/'))}"
    session_cookie.give(request, response, session_cookie.BEGUN, begun, BEGUN_SECONDS)
    return response


@router.get("/sign-in/callback")
async def callback(request: Request) -> Response:
    """The provider's answer: a session for the person it names, when it is believed and that person registered."""
    parts, provider = _parts(request), _provider(request)
    if slowed := _slowed(request, parts):
        return slowed
    begun = request.cookies.get(session_cookie.name_of(request, session_cookie.BEGUN), "")
    secret, to = (begun[:43], page_within(begun[43:])) if _SECRET.fullmatch(begun[:43]) else ("", "/")
    try:
        subject = await run_in_threadpool(provider.subject, secret, request.query_params)
    except Unreachable as reason:
        return refusal(request, (Problem(Category.BUSY, str(reason)),))
    except NotTrusted as reason:
        return _failed(request, parts, str(reason))
    person = await run_in_threadpool(parts.people.known_as, provider.issuer, subject)
    if person is None:
        return _failed(request, parts, "", subject)
    return await _signed_in(request, parts, person, to)


@router.get("/sign-in/link/{secret}")
async def open_link(request: Request, secret: str) -> Response:
    """The page of a link, whatever it holds."""
    _with_links(request)
    token = csrf.token_of(request)
    return csrf.give(
        request, page(request, "sign_in_link.html", secret=secret[:64], token=token, token_field=csrf.FIELD), token
    )


@router.post("/sign-in/link")
async def use_link(request: Request) -> Response:
    """A session for the person of a link, which then holds no more."""
    parts = _with_links(request)
    if slowed := _slowed(request, parts):
        return slowed
    given = await posted(request)
    if not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        return refusal(request, (Problem(Category.FORBIDDEN, _ELSEWHERE),))
    secret = given.get("secret", "")
    person = await run_in_threadpool(parts.people.by_link, secret) if _SECRET.fullmatch(secret) else None
    return await _signed_in(request, parts, person, "/") if person else _failed(request, parts, _NO_LINK)


@router.post("/sign-out")
async def sign_out(request: Request) -> Response:
    """End the session, here and on the server."""
    session = session_cookie.session_of(request)
    parts, given = _parts(request), await posted(request)
    if session is None or not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        return refusal(request, (Problem(Category.FORBIDDEN, _ELSEWHERE),))
    await run_in_threadpool(parts.sessions.end, session.secret)
    note_sign_in(request, session.grant, "logout", "signed out")
    response = _to("/sign-in?done=signed-out")
    response.headers["Clear-Site-Data"] = '"cache", "cookies", "storage"'
    session_cookie.take_back(request, response, session_cookie.SESSION)
    return response


async def _signed_in(request: Request, parts: SignIn, person: Person, to: str) -> Response:
    """A new session, whatever the browser brought; the one it had ends."""
    before = session_cookie.session_secret(request)
    session = await run_in_threadpool(parts.sessions.open, person, before)
    note_sign_in(request, grant_to(person), "login", "signed in")
    response = _to(to)
    session_cookie.give(request, response, session_cookie.SESSION, session.secret)
    session_cookie.take_back(request, response, session_cookie.BEGUN)
    return response


def _failed(request: Request, parts: SignIn, sentence: str, subject: str = "") -> Response:
    """A page that says why; for a subject whom nobody has registered, what an administrator needs to do so."""
    if request.client:
        parts.attempts.failed(request.client.host)
    who = Grant(CLIENT, frozenset(), "", (), person=subject)
    note_sign_in(request, who, "login", "sign-in failed: not registered" if subject else "sign-in failed", failed=True)
    response = page(request, "not_signed_in.html", 403, sentence=sentence, subject=subject)
    session_cookie.take_back(request, response, session_cookie.BEGUN)
    return response


def _slowed(request: Request, parts: SignIn) -> Response | None:
    wait_s = parts.attempts.wait_s(request.client.host) if request.client else 0
    if not wait_s:
        return None
    response = page(request, "not_signed_in.html", 429, sentence="Too many tries failed; please wait.", subject="")
    response.headers["Retry-After"] = str(wait_s)
    return response


def _parts(request: Request) -> SignIn:
    parts: SignIn | None = request.app.state.sign_in
    if parts is None:
        raise refuse(Category.NOT_FOUND, "Access control is off; nobody signs in.")
    return parts


def _provider(request: Request) -> OpenId:
    provider = _parts(request).open_id
    if provider is None:
        raise refuse(Category.NOT_FOUND, "No sign-in service is set up here.")
    return provider


def _with_links(request: Request) -> SignIn:
    parts = _parts(request)
    if not parts.links:
        raise refuse(Category.NOT_FOUND, "Nobody signs in by a link here.")
    return parts


def _to(address: str) -> Response:
    return Response(status_code=303, headers={**HEADERS, "Location": address})
