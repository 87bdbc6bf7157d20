"""Every request that reads, or is refused for want of a right, leaves an AuditEvent before its answer leaves.

https://profiles.ihe.net/ITI/BALP/
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.access.grant import OPEN, Grant
from service.access.limits import Thinned
from service.errors import Category, Problem
from service.fhir.audit_event import MINOR_FAILURE, SERIOUS_FAILURE, SUCCESS, Asker
from service.pipeline.access.asking import Seen, Told, asking, note
from service.web.problems import problem_response

_REFUSALS = {401: MINOR_FAILURE, 403: SERIOUS_FAILURE}
"""Who is not recognised often holds an old token; who is recognised and refused asked for what is not theirs."""
_LONGEST_WAIT_S = 10.0
_BUSY = Problem(Category.BUSY, "The audit cannot keep up with what is read; try again shortly.")
Put = Callable[[Sequence[Told], float], bool]


def asker_of(scope: Scope) -> Asker:
    """Who asks, as the AuditEvent tells it: from the grant of the request and its connection."""
    grant: Grant = scope.get("state", {}).get("grant", OPEN)
    client, server = scope.get("client"), scope.get("server")
    return Asker(
        client=grant.client,
        organisation=grant.organisation,
        person=grant.person,
        address=client[0] if client else "",
        server=server[0] if server else "",
        emergency=grant.emergency.reason if grant.emergency else "",
        named=grant.emergency.named if grant.emergency else "",
    )


def asked_of(request: Request) -> str:
    """The request as it was sent: method, address and query; without the secret of a patient's link."""
    path, query = request.url.path, request.url.query
    if path.startswith("/check-in/"):
        return f"{request.method} /check-in/{{token}}"
    return f"{request.method} {path}{'?' + query if query else ''}"


def note_case(request: Request, case_number: str, code: str = "read") -> None:
    """Note that a case was read otherwise than as a resource: its CarePlan stands for it."""
    place = getattr(request.scope.get("route"), "path", "")
    query = asked_of(request) if code == "operation" and request.url.query else ""
    note(Seen(code, f"read at {place}", (f"CarePlan/{case_number}",), frozenset({case_number}), query=query))


def note_list(request: Request) -> None:
    """Note that the worklist was read, which names cases and no patient."""
    note(Seen("search-type", "read of the worklist", query=asked_of(request)))


def note_subscriptions(request: Request, code: str, subscription_id: str = "") -> None:
    """Note that one Subscription was read, or all that meet the query."""
    about = (f"Subscription/{subscription_id}",) if subscription_id else ()
    note(Seen(code, "read of subscriptions", about, query="" if code == "read" else asked_of(request)))


def note_sign_in(request: Request, grant: Grant, code: str, words: str, failed: bool = False) -> None:
    """Note a `login` or `logout` as whoever the grant tells; one that failed is told whatever is answered."""
    request.state.grant = grant
    note(Seen(code, words, outcome=MINOR_FAILURE if failed else SUCCESS))


def note_token(request: Request, client: str, organisation: str, scope: str) -> None:
    """Note that a client was given a token of some scopes; the token itself is told nowhere."""
    request.state.grant = Grant(client, frozenset(), organisation, ())
    note(Seen("login", f"token issued for {scope}"))


def note_token_refused(request: Request, error: str) -> None:
    """Note that whoever asked at an address of tokens was refused, by the error code of RFC 6749."""
    note(Seen("login", f"refused: {error}", query=asked_of(request), outcome=MINOR_FAILURE))


class AuditedRequests:
    """ASGI layer: what a request noted as read goes to the audit when it succeeds, and so does a refusal.

    So does asking for what is not there for who asks, which may be another office's. The answer waits until the audit
    has room, and becomes 503 when it has none for long. Of an address that keeps asking without being recognised, and of
    a client that keeps asking for what is not there, not every refusal has an entry, so that nobody can fill the audit.
    """

    def __init__(self, app: ASGIApp, put: Put, now: Callable[[], datetime]) -> None:
        self._app, self._put, self._now = app, put, now
        self._thinned = Thinned()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        turned_away = False

        async def audited(message: Message) -> None:
            nonlocal turned_away
            if message["type"] == "http.response.start":
                told = self._told(scope, message["status"], seen)
                if told and not await self._kept(told):
                    turned_away = True
                    await problem_response((_BUSY,))(scope, receive, send)
            if not turned_away:
                await send(message)

        with asking(lambda: asker_of(scope)) as seen:
            await self._app(scope, receive, audited)

    def _told(self, scope: Scope, status: int, seen: Sequence[Seen]) -> list[Told]:
        asker, now = asker_of(scope), self._now()
        if status >= 400:
            failed = [one for one in seen if one.outcome != SUCCESS]
            if not failed and (status in _REFUSALS or (status == 404 and asker.client and "route" in scope)):
                failed = [_refusal(scope, status)]
            left_out = self._thinned.left_out_before(who, now.timestamp()) if (who := _thinned_by(scope, status)) else 0
            seen = [] if left_out is None else [_counting(one, left_out) for one in failed]
        number: str = scope.get("state", {}).get("request_id", "")
        return [Told(one, asker, number, now) for one in seen]

    async def _kept(self, told: Sequence[Told]) -> bool:
        return self._put(told, 0) or await run_in_threadpool(self._put, told, _LONGEST_WAIT_S)


def _thinned_by(scope: Scope, status: int) -> str:
    """By what entries of refusals are counted and thinned: where who is unknown asks from, or who asks; else empty."""
    asker = asker_of(scope)
    if status == 404:
        return f"{asker.client} {asker.person} {asker.organisation}"[-64:]
    return asker.address if status == 401 or scope["path"] in _TOKEN_ADDRESSES else ""


def _counting(one: Seen, left_out: int) -> Seen:
    """What was refused, and how many before it have no entry."""
    more = f", as were {left_out} before it from there that have no entry" if left_out else ""
    return replace(one, description=f"{one.description}{more}")


def _refusal(scope: Scope, status: int) -> Seen:
    """What was refused, by the address asked for; nothing of what is there."""
    route = scope.get("route")
    name = getattr(route, "name", "")
    code = name if name in _CODES else "operation"
    place = f" at {getattr(route, 'path', '')}" if route else ""
    outcome = _REFUSALS.get(status, MINOR_FAILURE)
    return Seen(code, f"refused with {status}{place}", query=asked_of(Request(scope)), outcome=outcome)


_TOKEN_ADDRESSES = ("/token", "/introspect", "/revoke")
_CODES = {
    *("read", "vread", "update", "delete", "history-instance", "history-type"),
    *("create", "search-type", "transaction"),
}
