"""How requests are sent: to one server alone, with a token where there is a key, and repeated only when that is safe."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import urljoin, urlsplit

import httpx

from service.client.failure import NO_ANSWER, RelayError, ReportedProblem, no_answer, problems_of
from service.client.json_text import loaded, loaded_object
from service.client.token import BackendKey, TokenSource

_BUSY, _UNAUTHORIZED = 503, 401
_DEFAULT_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True)
class Retries:
    """How often a request that may be repeated is repeated, and how long the client waits for the server at most.

    A server that names a longer time in Retry-After is not waited for: the failure reaches the caller at once.
    """

    most: int = 4
    first_wait_seconds: float = 0.5
    longest_wait_seconds: float = 30
    sleep: Callable[[float], None] = time.sleep


@dataclass(frozen=True)
class Request:
    """One request: `content` is a text of media type `media`; `repeatable` when doing it twice is doing it once."""

    method: str
    path: str
    parameters: tuple[tuple[str, str], ...] = ()
    content: str | None = field(default=None, repr=False)
    media: str = "application/json"
    headers: Mapping[str, str] = field(default_factory=dict)
    repeatable: bool = False


@dataclass
class Sender:
    """Sends requests to one server. `http` has the server's address as its base."""

    http: httpx.Client
    retries: Retries = field(default_factory=Retries)
    key: BackendKey | None = None
    now_s: Callable[[], float] = time.time

    def __post_init__(self) -> None:
        self._tokens = TokenSource(self.key, self._configuration, self._token_by, self.now_s) if self.key else None

    def send(self, request: Request) -> httpx.Response:
        """The answer to a request. RelayError when it is an error, or when none came."""
        answer = self._authorised(request)
        if answer.status_code == _UNAUTHORIZED and self._tokens:
            # refused before anything was done, so that it is safe to ask again with a new token
            self._tokens.forget()
            answer = self._authorised(request)
        return _checked(answer)

    def address_here(self, link: str) -> str:
        """A link as an address of this server. RelayError when it leads elsewhere: no token goes to another server."""
        base = str(self.http.base_url)
        address = urljoin(base, link)
        if _server_of(address) != _server_of(base) or "@" in urlsplit(address).netloc:
            raise no_answer("A link of the answer leads to another server and is not followed.")
        return address

    def _authorised(self, request: Request) -> httpx.Response:
        if self._tokens:
            headers = {**request.headers, "Authorization": f"Bearer {self._tokens.token()}"}
            request = replace(request, headers=headers)
        return self._repeated(lambda: self._once(request), request.repeatable)

    def _once(self, request: Request) -> httpx.Response:
        media = {"Content-Type": request.media} if request.content is not None else {}
        return self.http.request(
            request.method,
            request.path,
            params=list(request.parameters) or None,
            content=request.content.encode() if request.content is not None else None,
            headers={"Accept": "application/fhir+json, application/json", **media, **request.headers},
            follow_redirects=False,
        )

    def _repeated(self, once: Callable[[], httpx.Response], repeatable: bool) -> httpx.Response:
        """An attempt, and others after it while they are safe and the server may still answer."""
        wait_seconds = self.retries.first_wait_seconds
        for left in range(self.retries.most if repeatable else 0, -1, -1):
            answer, failed = _attempt(once)
            if answer is not None and answer.status_code != _BUSY:
                return answer
            asked_seconds = _asked_to_wait(answer) if answer is not None else None
            pause_seconds = wait_seconds if asked_seconds is None else asked_seconds
            may_pass = answer is not None or failed == _NOT_CONNECTED
            if not left or not may_pass or pause_seconds > self.retries.longest_wait_seconds:
                if answer is not None:
                    return answer
                raise no_answer(failed)
            self.retries.sleep(pause_seconds)
            wait_seconds *= 2
        raise AssertionError("an attempt either answers, fails or is repeated")

    def _configuration(self, path: str) -> dict[str, Any]:
        request = Request("GET", path, repeatable=True)
        return loaded_object(_checked(self._repeated(lambda: self._once(request), True)).text)

    def _token_by(self, url: str, form: Callable[[], dict[str, str]]) -> dict[str, Any]:
        if _server_of(url) != _server_of(str(self.http.base_url)) and urlsplit(url).scheme != "https":
            raise no_answer("The token endpoint is on another server and not reached by https.")
        # each attempt has an assertion of its own, so that repeating is safe
        return loaded_object(_checked(self._repeated(lambda: self.http.post(url, data=form()), True)).text)


_NOT_CONNECTED = "The server cannot be connected."
_LOST = "The connection ended before the answer came; whether the request was done is not known."


def _attempt(once: Callable[[], httpx.Response]) -> tuple[httpx.Response | None, str]:
    """The answer, or why there is none; the library's error holds the request and goes no further."""
    try:
        return once(), ""
    except (httpx.ConnectError, httpx.ConnectTimeout):
        return None, _NOT_CONNECTED
    except httpx.TransportError:
        return None, _LOST


def _checked(answer: httpx.Response) -> httpx.Response:
    """The answer when it is no error. RelayError with what the server found wrong."""
    if answer.status_code < 300 or answer.status_code == 304:
        return answer
    try:
        problems = problems_of(loaded(answer.text))
    except RelayError:
        problems = ()
    usual = (ReportedProblem("processing", "The server refused the request and did not say why."),)
    raise RelayError(answer.status_code or NO_ANSWER, problems or usual)


def _asked_to_wait(answer: httpx.Response) -> float | None:
    """The seconds that Retry-After names (RFC 9110, section 10.2.3); its other form, a date, is not used here."""
    text = answer.headers.get("retry-after", "")
    return float(text) if text.isascii() and text.isdigit() else None


def _server_of(address: str) -> tuple[str, str, int | None]:
    parts = urlsplit(address)
    return parts.scheme, (parts.hostname or "").rstrip("."), parts.port or _DEFAULT_PORTS.get(parts.scheme)
