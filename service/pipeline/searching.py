"""Pages of resources: searches, histories and everything of a patient. What is read is decided for today."""

from __future__ import annotations

import hashlib
import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from sqlalchemy import Connection

from service.errors import Category, refuse
from service.fhir.build import SHARED
from service.fhir.facts_shape import facts_shape
from service.fhir.search_conditions import Search
from service.fhir.search_parameters import PARAMETERS
from service.fhir.search_query import LARGEST_PAGE, TOKEN
from service.pipeline.reading import OF_THE_DAY, Reads
from service.rows import Stored
from service.rules.stage import StageName
from service.store import cases, history, resources, search, search_chains, search_index
from service.store.search import Found

T = TypeVar("T")
Key = tuple[Any, ...]


@dataclass(slots=True)
class Page:
    """One page: what matches, what comes along, and the token of the next page if there is one."""

    matches: list[Stored] = field(default_factory=list)
    included: list[Stored] = field(default_factory=list)
    following: str = ""
    total: int | None = None


class Searches(Reads):
    """The searching half of the reads."""

    def index_all(self) -> None:
        """Index anew what other parameters were declared for; goes on where a start before this one ended."""
        more = bool(self._database.read(search_index.stale_types))
        while more:
            more = self._database.write(search_index.index_some)

    def rebuild_index(self) -> Iterator[int]:
        """Index every resource anew, a batch in each transaction; how many each had, then how many rows led nowhere."""
        for kind in PARAMETERS:
            after, count = self._database.write(lambda tx, kind=kind: search_index.rebuild_some(tx, kind, ""))
            yield count
            while after:
                after, count = self._database.write(
                    lambda tx, kind=kind, after=after: search_index.rebuild_some(tx, kind, after)
                )
                yield count
        yield self._database.write(search_index.drop_orphans)

    def search(self, asked: Search) -> Page:
        """The page a search asks for."""
        if asked.only_count:
            return Page(total=self._seen.read(lambda tx: _count(tx, asked)))
        page = self._seen.read(lambda tx: _search(tx, asked))
        if asked.type in OF_THE_DAY and self._decided_anew({r.case_number for r in page.matches if r.case_number}):
            page = self._seen.read(lambda tx: _search(tx, asked))
        return page

    def history(self, kind: str, resource_id: str, since: str = "", token: str = "", count: int = LARGEST_PAGE) -> Page:
        """Versions of a resource, newest first; their number when all are asked for. 404 when it was never here."""
        about = f"{kind}/{resource_id}?{since}"
        before = key_of(token, about, (int,))

        def work(tx: Connection) -> Page:
            last = resources.current(tx, kind, resource_id)
            if last is None:
                raise refuse(Category.NOT_FOUND, f"{kind}/{resource_id} is not here.")
            found = history.of_resource(tx, kind, resource_id, since, before[0] if before else None, count + 1)
            page = _page(found, count, about, lambda last: (last.version,))
            page.total = None if since else last.version
            return page

        return self._seen.read(work)

    def type_history(self, kind: str, since: str, token: str, count: int) -> Page:
        """Versions of all resources of a type, newest first."""
        about = f"{kind}?{since}"
        before = key_of(token, about, (str, str, int))
        found = self._seen.read(lambda tx: history.of_type(tx, kind, since, before, count + 1))
        return _page(found, count, about, lambda last: (last.last_updated, last.id, last.version))

    def everything(self, patient_id: str, kinds: Sequence[str], since: str, token: str, count: int) -> Page:
        """A patient's record: the patient and those concerned on the first page, then the resources of the cases."""
        patient = f"Patient/{patient_id}"
        held = self.resource("Patient", patient_id)
        self._decided_anew(self._seen.read(lambda tx: cases.of_patient(tx, [patient])))
        about = f"{patient}?{since}&{','.join(kinds)}"
        after = key_of(token, about, (str, str, str))

        def work(tx: Connection) -> Page:
            own = [k for k in kinds if k not in SHARED]
            found = history.of_patient(tx, patient, own, since, after, count + 1)
            page = _page(found, count, about, lambda last: (last.case_number, last.type, last.id))
            if after is None:
                shared = resources.current_of(tx, history.shared_of_patient(tx, patient, sorted(SHARED)))
                rest = [shared[k] for k in sorted(shared) if k != (held.type, held.id)]
                first = [r for r in (held, *rest) if r.type in kinds and r.last_updated >= since and not r.deleted]
                page.matches = first + page.matches
            return page

        return self._seen.read(work)

    def _decided_anew(self, numbers: Collection[str]) -> bool:
        """Decide anew the cases whose resources tell the decision of an earlier day; whether there were any."""
        today = self.today().isoformat()
        shape = facts_shape()
        stale = self._database.read(lambda tx: cases.stale_among(tx, numbers, today, StageName.CLOSED, shape))
        for number in stale:
            self.refresh(number, recorded=True)
        return bool(stale)


def _count(tx: Connection, asked: Search) -> int:
    return search.count(tx, asked.type, search_chains.resolved(tx, asked.type, asked.conditions))


def _search(tx: Connection, asked: Search) -> Page:
    about = _about(asked)
    last = key_of(asked.token, about, (str, str))
    after = Found(last[1], last[0]) if last else None
    conditions = search_chains.resolved(tx, asked.type, asked.conditions)
    found = search.page(tx, asked.type, conditions, asked.sort, after, asked.count + 1)
    page = Page()
    if len(found) > asked.count:
        found = found[: asked.count]
        page.following = token_of(about, (found[-1].key, found[-1].id))
    ids = [f.id for f in found]
    along = search_chains.included(tx, asked.type, ids, asked.includes) | search_chains.referring(
        tx, asked.type, ids, asked.reverse_includes
    )
    keys = [(asked.type, i) for i in ids]
    further = sorted(along - set(keys))
    held = resources.current_of(tx, [*keys, *further])
    page.matches = [held[k] for k in keys if k in held and not held[k].deleted]
    if not (asked.token or page.following or asked.without_total):
        page.total = len(page.matches)
    page.included = [held[k] for k in further if k in held and not held[k].deleted]
    return page


def _about(asked: Search) -> str:
    """What a page token is valid for: the same type, conditions and order; the size of a page may change."""
    pairs = [p for p in asked.understood if p[0] not in (TOKEN, "_count", "_format", "_pretty", "_elements")]
    return repr((asked.type, pairs))


def _page(found: list[Stored], count: int, about: str, key: Callable[[Stored], Key]) -> Page:
    more = len(found) > count
    kept = found[:count]
    return Page(kept, following=token_of(about, key(kept[-1])) if more else "")


def token_of(about: str, key: Key) -> str:
    """The key of a page's last row, bound to the question it belongs to."""
    return urlsafe_b64encode(json.dumps([_digest(about), *key]).encode()).decode().rstrip("=")


def key_of(token: str, about: str, kinds: tuple[type, ...]) -> Any:
    """The key in a token; None without one. Refused unless a page of the same question gave it."""
    if not token:
        return None
    try:
        held = json.loads(urlsafe_b64decode(token.encode("ascii") + b"=" * (-len(token) % 4)))
    except (NotBase64, ValueError, RecursionError):
        held = None
    if isinstance(held, list) and len(held) == len(kinds) + 1 and held[0] == _digest(about):
        key = held[1:]
        if all(type(k) is kind for k, kind in zip(key, kinds, strict=True)) and all(map(_storable, key)):
            return tuple(key)
    sentence = "This is not a page of this question; follow the next link as it was given."
    raise refuse(Category.BAD_QUERY, sentence, TOKEN)


def _storable(key: str | int) -> bool:
    """Whether a database can compare anything with a key: a small number, or text that is Unicode."""
    if isinstance(key, int):
        return abs(key) < 2**31
    return "\0" not in key and all(not 0xD800 <= ord(c) <= 0xDFFF for c in key)


def _digest(about: str) -> str:
    return hashlib.sha256(about.encode("utf-8", "surrogatepass")).hexdigest()[:16]
