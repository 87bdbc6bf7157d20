"""The parts of access control put together: by the service's own tokens, or by those of another issuer."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path

from service.access.signing import KeyRing, make_if_missing
from service.outbound.fetch import Fetcher
from service.pipeline.access.authenticate import Authenticator
from service.pipeline.access.key_sets import KeySets
from service.pipeline.access.token_check import OtherIssuer, OwnIssuer, Place, TokenCheck
from service.pipeline.access.tokens import Tokens
from service.pipeline.pipeline import Pipeline
from service.store.caller import ALL_SEEING

_log = logging.getLogger("airway_relay")


@dataclass(frozen=True, slots=True)
class AccessParts:
    """What checks tokens, and what makes them; None when another issuer does."""

    place: Place
    check: TokenCheck
    tokens: Tokens | None


def own_access(pipeline: Pipeline, fetcher: Fetcher, place: Place, key_file: Path) -> AccessParts:
    """Access by tokens of this service. KeyFileError when its key file cannot be used or made."""

    def now_s() -> float:
        return pipeline.now().timestamp()

    if make_if_missing(key_file, now_s()):
        _log.info("made a file of signing keys: %s", key_file)
    ring, database = KeyRing(key_file), pipeline.database.seen_by(ALL_SEEING)
    check = TokenCheck(database, place, OwnIssuer(ring), now_s)
    authenticator = Authenticator(database, KeySets(fetcher, now_s), place.token_url, now_s)
    return AccessParts(place, check, Tokens(database, authenticator, ring, check, place, now_s))


def other_access(pipeline: Pipeline, fetcher: Fetcher, place: Place, keys_url: str) -> AccessParts:
    """Access by tokens of another authorisation server, whose keys are fetched."""

    def now_s() -> float:
        return pipeline.now().timestamp()

    issuer = OtherIssuer(keys_url, KeySets(fetcher, now_s))
    return AccessParts(place, TokenCheck(pipeline.database.seen_by(ALL_SEEING), place, issuer, now_s), None)
