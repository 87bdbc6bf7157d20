"""Who asks and what they have seen so far, known wherever the service works for a request."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime

from service.fhir.audit_event import SUCCESS, Asker
from service.rows import Stored


@dataclass(frozen=True, slots=True)
class Seen:
    """Something that was read, or refused: to become an AuditEvent. The patients of `cases` are meant as well."""

    code: str
    description: str
    touched: tuple[str, ...] = ()
    cases: frozenset[str] = frozenset()
    patients: frozenset[str] = frozenset()
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


def note_versions(code: str, held: Iterable[Stored], query: str = "", about: tuple[str, ...] = ()) -> None:
    """Note that versions of resources were read.

    When that came of a query or is `about` one resource, of the versions only the cases and patients are told.
    """
    rows = list(held)
    cases = frozenset(r.case_number for r in rows if r.case_number)
    patients = frozenset(f"Patient/{r.id}" for r in rows if r.type == "Patient")
    versions = () if query or about else tuple(f"{r.type}/{r.id}/_history/{r.version}" for r in rows)
    note(Seen(code, f"read by {code}", about or versions, cases, patients, query))
