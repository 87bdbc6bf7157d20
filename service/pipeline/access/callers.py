"""What a grant may read, as the caller for whom every query is built."""

from __future__ import annotations

from service.access.grant import Grant
from service.fhir.validate import TYPES
from service.store.caller import Caller, Kinds, Reach


def caller_for(grant: Grant, letter: str = "", one_record: bool | None = None) -> Caller:
    """The caller of a grant: limited to its cases and, for an interaction (`r` or `s`), to the types of its scopes.

    Emergency access adds its patient where one record is asked for, which a read does and a search does not unless
    `one_record` says otherwise: lists stay as they are every day. Without a letter, as messages are worked on, no type
    is hidden.
    """
    organisation = None if grant.is_open else grant.organisation
    if not letter or grant.is_open:
        return Caller(organisation)
    used = grant.emergency if (letter == "r" if one_record is None else one_record) else None
    reach = Reach(used.patient, used.case_number) if used else None
    kinds: Kinds = tuple((t, grant.categories(letter, t)) for t in TYPES if grant.allows(letter, t))
    whole = len(kinds) == len(TYPES) and all(categories is None for _, categories in kinds)
    return Caller(organisation, None if whole else kinds, reach)
