"""`airway-relay serve`: the service on the address and database that the environment names."""

from __future__ import annotations

import os
import sys

from service.settings import Settings, SettingsError
from service.stop_signals import end_on_signals


def serve() -> int:
    """Run until SIGINT or SIGTERM. Logs go to standard error, one line a request, without patient data."""
    end_on_signals()
    try:
        settings = Settings.from_environment(os.environ)
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    import uvicorn
    from sqlalchemy.exc import SQLAlchemyError

    from service.access.client_proof import ProofError
    from service.access.private_files import KeyFileError
    from service.app import build_app
    from service.fhir.validate import NotCompiled
    from service.listening.budgets import Unbounded, most_connections
    from service.listening.connections import Connections, listening_on
    from service.listening.deadlines import BoundedServer, protocol_of
    from service.web.log_lines import log_as_json
    from service.wiring import build_pipeline

    log_as_json()
    try:
        pipeline = build_pipeline(settings)
    except SQLAlchemyError as error:
        print(f"airway-relay: the database cannot be used ({type(error).__name__}); see DATABASE_URL.", file=sys.stderr)
        return 2
    try:
        app = build_app(settings, pipeline)
    except NotCompiled as error:
        print(f"airway-relay: the published profiles cannot be checked: {error}", file=sys.stderr)
        return 2
    except (KeyFileError, ProofError) as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    connections = Connections(
        settings.budgets, most_connections(settings.budgets.connections), Unbounded.of(settings.access.proxies)
    )
    config = uvicorn.Config(
        app,
        settings.host,
        settings.port,
        loop="asyncio",  # others accept connections by themselves, past the budgets
        http=protocol_of(connections),
        ws="none",
        access_log=False,
        log_config=None,
        server_header=False,
        ssl_certfile=settings.access.tls_certificate or None,
        ssl_keyfile=settings.access.tls_key or None,
        proxy_headers=bool(settings.access.proxies),
        forwarded_allow_ips=list(settings.access.proxies),
    )
    try:
        config.load()
    except OSError:
        print(
            "airway-relay: AIRWAY_RELAY_TLS_CERTIFICATE and AIRWAY_RELAY_TLS_KEY do not fit or cannot be read.",
            file=sys.stderr,
        )
        return 2
    try:
        sockets = listening_on(settings.host, settings.port, connections)
    except OSError as error:
        print(f"airway-relay: {settings.host} port {settings.port} cannot be used: {error.strerror}.", file=sys.stderr)
        return 2
    BoundedServer(config, connections).run(sockets)
    return 0
