"""The web application over what the wiring built."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import AsyncIterator
from typing import Any

from fastapi import FastAPI, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from service import __version__
from service.access.limits import Failures
from service.access.sealing import Seal
from service.fhir.validate import preload
from service.new_id import new_id
from service.outbound.senders import HttpSender
from service.pipeline import Pipeline
from service.pipeline.access.emergencies import Emergencies, Policy
from service.pipeline.delivery import Deliverer, wait_for
from service.pipeline.sealed_headers import seal_all
from service.pipeline.subscriptions import Subscriptions
from service.settings import Settings
from service.web import (
    case_api,
    check_in_link_api,
    emergency_api,
    fhir_api,
    fhir_openapi,
    intake_api,
    pages,
    problems,
    subscription_api,
    token_api,
)
from service.web.audit import AuditedRequests
from service.web.break_glass import BreakGlass
from service.web.exchange import NumberedRequests, answer
from service.web.gate import Gate
from service.web.hosts import KnownHosts
from service.web.work import BoundedWork
from service.wiring import build_access, build_sign_in

_SWEEP_SECONDS = 600
_log = logging.getLogger("airway_relay")


def build_app(settings: Settings, pipeline: Pipeline) -> FastAPI:
    """The web application over a pipeline. Raises NotCompiled when a published profile cannot be checked.

    KeyFileError when a file of keys cannot be used.
    """
    preload()
    seal = Seal(settings.seal_key_file)
    seal_all(pipeline.database, seal)

    @contextlib.asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        sweep = asyncio.create_task(_sweep(pipeline, app.state.subscriptions))
        stop = threading.Event()
        sending = settings.delivers and not settings.egress.is_empty
        threads = Deliverer(pipeline.database, HttpSender(settings.egress), seal).run(stop) if sending else []
        yield
        stop.set()
        sweep.cancel()
        await asyncio.gather(sweep, return_exceptions=True)
        await run_in_threadpool(wait_for, threads)
        await run_in_threadpool(pipeline.close)

    app = FastAPI(title="Airway Relay", version=__version__, docs_url=None, redoc_url=None, lifespan=lifespan)
    app.router.redirect_slashes = False  # a redirect would repeat the address, which may be a secret
    app.state.pipeline = pipeline
    app.state.subscriptions = Subscriptions(pipeline.database, settings.egress, seal, pipeline.now)
    app.state.max_body_bytes = settings.max_body_bytes
    app.state.public_url, app.state.check_in_link_days = settings.public_url, settings.check_in_link_days
    app.state.check_in_failures = Failures()
    policy = Policy(settings.emergency_clients, settings.emergency_people, settings.emergency_hours)
    app.state.emergencies = Emergencies(pipeline, policy)
    app.state.access = access = build_access(settings, pipeline)
    app.state.sign_in = sign_in = build_sign_in(settings, pipeline)
    if access:
        app.state.subscriptions.end_unowned()
    problems.install(app)
    for part in (token_api, emergency_api, subscription_api, fhir_api, intake_api, check_in_link_api, case_api, pages):
        app.router.routes.extend(part.router.routes)

    @app.get("/livez", response_class=Response, tags=["Service"])
    async def livez() -> Response:
        """Alive when the process answers; asks nothing of the database nor of any thread."""
        return answer({"status": "alive"})

    @app.get("/health", response_class=Response, tags=["Service"])
    async def health(_request: Request) -> Response:
        """Well when the database answers."""
        await run_in_threadpool(pipeline.alive)
        return answer({"status": "well", "version": __version__})

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = get_openapi(title=app.title, version=app.version, routes=app.routes)
            schema.setdefault("components", {}).setdefault("schemas", {}).update(
                {**fhir_openapi.SCHEMAS, **intake_api.definitions()}
            )
            app.openapi_schema = schema
        return app.openapi_schema

    app.openapi = openapi
    https_only = settings.public_url.startswith("https://")
    app.add_middleware(BoundedWork, per_client=settings.budgets.work_per_client)
    app.add_middleware(BreakGlass, emergencies=app.state.emergencies)
    sessions = sign_in.sessions if sign_in else None
    app.add_middleware(Gate, check=access.check if access else None, https_only=https_only, sessions=sessions)
    app.add_middleware(AuditedRequests, put=pipeline.read_audit.put, now=pipeline.now)
    app.add_middleware(KnownHosts, public_url=settings.public_url)
    app.add_middleware(NumberedRequests, new_number=new_id)
    return app


async def _sweep(pipeline: Pipeline, subscriptions: Subscriptions) -> None:
    """As days pass, decide open cases anew, so that the worklist shows today, and drop old notices."""
    while True:
        try:
            await run_in_threadpool(pipeline.bring_up)
            while await run_in_threadpool(pipeline.refresh_some):
                pass
            await run_in_threadpool(subscriptions.forget_old)
        except Exception as error:
            _log.error("sweep failed", extra={"told": {"error": type(error).__name__}})
        await asyncio.sleep(_SWEEP_SECONDS)
