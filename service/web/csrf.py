"""Forms that only this site's own pages can send: a token in the form, and who the browser says asks.

In a session the token is made of the session's secret, so that it holds for no other. Without one it stands in a cookie
too, which belongs to one browser, is not told to other sites (`SameSite=Strict`) and not to scripts. A form is taken when
its hidden field is that token and the browser does not say that another site sent it.
https://www.rfc-editor.org/rfc/rfc6265 and https://www.w3.org/TR/fetch-metadata/
"""

from __future__ import annotations

import base64
import hmac
import re
import secrets
from urllib.parse import urlsplit

from fastapi import Request, Response
from starlette.requests import HTTPConnection

from service.web.session_cookie import session_of

COOKIE = "airway_relay_form"
FIELD = "form_token"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")


def token_of(request: Request) -> str:
    """The token of the session, else the browser's: the one it has, or a new one."""
    if of_session := _of_session(request):
        return of_session
    held = request.cookies.get(COOKIE, "")
    return held if _TOKEN.fullmatch(held) else secrets.token_urlsafe(32)


def give(request: Request, response: Response, token: str) -> Response:
    """The response, with the cookie unless the browser has it or a session takes its place."""
    if not _of_session(request) and request.cookies.get(COOKIE) != token:
        secure = request.url.scheme == "https"
        response.set_cookie(COOKIE, token, path="/", secure=secure, httponly=True, samesite="strict")
    return response


def is_ours(request: Request, posted: str) -> bool:
    """Whether a posted form came from a page of this site in the same browser."""
    held = _of_session(request) or request.cookies.get(COOKIE, "")
    if not _TOKEN.fullmatch(held) or not hmac.compare_digest(held.encode(), posted.encode()):
        return False
    return is_from_this_site(request)


def _of_session(request: Request) -> str:
    """The token made of the secret of the session; empty without a session."""
    session = session_of(request)
    if session is None:
        return ""
    return base64.urlsafe_b64encode(hmac.digest(session.secret.encode(), FIELD.encode(), "sha256")).decode().rstrip("=")


def is_from_this_site(request: HTTPConnection) -> bool:
    """What the browser says of the sender; the Origin counts where it says nothing of sites.

    A proxy may give us another host than the one the browser sees, so that its own word comes first.
    """
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = request.headers.get("origin")
    return origin is None or urlsplit(origin).netloc == request.headers.get("host", "")
