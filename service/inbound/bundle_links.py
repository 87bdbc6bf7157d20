"""Where the entries of a Bundle are, and every form of reference to them.

https://hl7.org/fhir/R4/bundle.html#references and https://hl7.org/fhir/R4/http.html#trules
"""

from __future__ import annotations

import re

from service.fhir.build import Draft, Resource, with_references
from service.fhir.links import links_of, with_links

_RESTFUL = re.compile(r"(https?://.+/)[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_HISTORY = "/_history/"


class Addresses:
    """The entries by their full addresses; `base` is the address of this server."""

    def __init__(self, base: str = "") -> None:
        self.base = base.rstrip("/")
        self._entries: dict[str, str] = {}

    def add(self, full_url: str, local: str) -> bool:
        """Note the address of an entry. False when another entry has it."""
        return self._entries.setdefault(full_url, local) == local

    def below_base(self, url: str) -> str:
        """An address of this server as it stands below the base: `Patient/1`."""
        return url.removeprefix(f"{self.base}/") if self.base else url

    def rewritten(self, resource: Resource, full_url: str) -> Resource:
        """The resource with references to entries as their local addresses, to this server as relative ones."""
        return with_references(resource, lambda reference: self._reference(reference, full_url))

    def _reference(self, reference: str, full_url: str) -> str:
        plain, history, version = reference.partition(_HISTORY)
        root = _RESTFUL.fullmatch(full_url)
        for candidate in (f"{root[1]}{plain}" if root else plain, plain):
            if candidate in self._entries:
                return f"{self._entries[candidate]}{history}{version}"
        return self.below_base(reference)

    def link(self, draft: Draft) -> None:
        """Mark a draft whose links lead to entries, and give them their local addresses."""
        if not any(link.partition("#")[0] in self._entries for link in links_of(draft.resource)):
            return
        draft.resource = with_links(draft.resource, self._local)
        draft.links_to = self.base

    def _local(self, link: str) -> str:
        plain, sign, fragment = link.partition("#")
        return f"{self._entries.get(plain, plain)}{sign}{fragment}"
