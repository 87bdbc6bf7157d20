"""What the settings name, put together: the pipeline on its database, access control, and the sign-in of people.

Apart from the web application, so that a command that serves nothing does not load it.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from service import __version__
from service.access.client_proof import KeyProof, SecretProof
from service.outbound.fetch import HttpFetcher
from service.pipeline import Pipeline
from service.pipeline.access.directory import Directory
from service.pipeline.access.open_id import OpenId, RelyingParty
from service.pipeline.access.parts import AccessParts, other_access, own_access
from service.pipeline.access.people import People
from service.pipeline.access.sessions import Sessions
from service.pipeline.access.sign_in import Attempts, SignIn
from service.pipeline.access.token_check import Place
from service.settings import Settings
from service.store.caller import ALL_SEEING
from service.store.engine import Database


def build_pipeline(settings: Settings, clock: Callable[[], datetime] | None = None) -> Pipeline:
    """The pipeline on the database the settings name."""
    pipeline = Pipeline(
        Database(settings.database_url, settings.partitions),
        settings.site,
        clock or (lambda: datetime.now(UTC)),
        settings.zone,
        __version__,
    )
    pipeline.index_all()
    pipeline.refuses_unknown_offices = settings.access.refuses_unknown_offices
    if settings.access.on:
        pipeline.fill_parties()
    pipeline.engine()
    pipeline.bring_up()
    Directory(pipeline).bring_up()
    return pipeline


def build_access(settings: Settings, pipeline: Pipeline) -> AccessParts | None:
    """Access control as the settings say; None when it is off. KeyFileError when its key file cannot be used."""
    access, base = settings.access, settings.public_url
    if not access.on:
        return None
    fetcher, audience = HttpFetcher(access.jwks_hosts), access.audience or f"{base}/fhir"
    if access.issuer:
        place = Place(access.issuer, audience, access.issuer_token_url)
        return other_access(pipeline, fetcher, place, access.issuer_jwks_url)
    return own_access(pipeline, fetcher, Place(base, audience, f"{base}/token"), Path(access.key_file))


def build_sign_in(settings: Settings, pipeline: Pipeline) -> SignIn | None:
    """How people sign in; None while access control is off. ProofError when a secret or key cannot be used."""
    access, base = settings.access, settings.public_url
    if not access.on:
        return None
    database, chosen = pipeline.database.seen_by(ALL_SEEING), access.sign_in

    def now_s() -> float:
        return pipeline.now().timestamp()

    open_id = None
    if chosen.issuer:
        proving = SecretProof(Path(chosen.secret_file)) if chosen.secret_file else KeyProof(Path(chosen.key_file))
        asks = RelyingParty(chosen.issuer, chosen.client_id, chosen.scopes, f"{base}/sign-in/callback", proving)
        open_id = OpenId(database, HttpFetcher(access.jwks_hosts), asks, now_s)
    sessions = Sessions(database, now_s, chosen.idle_minutes * 60, chosen.longest_hours * 3600)
    return SignIn(People(pipeline), sessions, open_id, settings.links_sign_in, Attempts(now_s))
