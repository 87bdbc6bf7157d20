"""Who asks and what they have seen so far, known wherever the service works for a request."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime

from service.fhir.audit_event import SUCCESS, Asker
from service.store.resources import Stored


@dataclass(frozen=True, slots=True)
class Seen:
    """Something that was read, or refused: to become an AuditEvent. Patients follow from the cases and resources."""

    code: str
    description: str
    touched: tuple[str, ...] = ()
    cases: frozenset[str] = frozenset()
    query: str = ""
    outcome: str = SUCCESS


@dataclass(frozen=True, slots=True)
class Told:
    """Something seen, by whom, in which request, and when."""

    seen: Seen
    asker: Asker
    request_id: str
    at: datetime


@dataclass(slots=True)
class _Request:
    asker: Callable[[], Asker]
    seen: list[Seen]


_REQUEST: ContextVar[_Request | None] = ContextVar("request", default=None)


@contextmanager
def asking(whom: Callable[[], Asker]) -> Iterator[list[Seen]]:
    """While a request is worked on; `whom` is called when it must be known, and what is noted comes into the list."""
    request = _Request(whom, [])
    token = _REQUEST.set(request)
    try:
        yield request.seen
    finally:
        _REQUEST.reset(token)


def asker() -> Asker:
    """Who asks; the service itself outside of a request."""
    request = _REQUEST.get()
    return request.asker() if request else Asker()


def note(seen: Seen) -> None:
    """Note what a request has read. It is kept in the audit when the request succeeds."""
    request = _REQUEST.get()
    if request is not None:
        request.seen.append(seen)


def note_versions(code: str, description: str, held: Iterable[Stored], query: str = "", about: str = "") -> None:
    """Note that versions of resources were read; by a query only their cases and patients are kept."""
    rows = list(held)
    cases = frozenset(r.case_number for r in rows if r.case_number)
    if query:
        touched = {f"Patient/{r.id}" for r in rows if r.type == "Patient"}
        return note(Seen(code, description, (*([about] if about else ()), *sorted(touched)), cases, query))
    note(Seen(code, description, tuple(f"{r.type}/{r.id}/_history/{r.version}" for r in rows), cases))
