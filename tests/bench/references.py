"""What the service is measured against: a one-row durable insert and a no-op behind the same framework.

`python -m tests.bench.references` serves both with the service's own engine settings (SQLite: WAL, synchronous=FULL;
PostgreSQL: every commit on disk) and no layer between the framework and the route.
"""

from __future__ import annotations

import os

import uvicorn
from fastapi import FastAPI, Request, Response
from sqlalchemy import Column, LargeBinary, MetaData, String, Table, insert, text
from starlette.concurrency import run_in_threadpool

from service.new_id import new_id
from service.store.caller import ALL_SEEING
from service.store.engine import Database

ROWS = Table(
    "reference_row",
    MetaData(),
    Column("id", String(64), primary_key=True),
    Column("body", LargeBinary, nullable=False),
)


def build(database_url: str) -> FastAPI:
    """The application on a database of its own. Refuses a PostgreSQL whose commits are not on disk."""
    database = Database(database_url).seen_by(ALL_SEEING)
    ROWS.create(database.engine)
    if not database.is_sqlite:
        with database.engine.connect() as connection:
            held = [connection.execute(text(f"SHOW {name}")).scalar_one() for name in ("fsync", "synchronous_commit")]
        assert held == ["on", "on"], held
    app = FastAPI()

    @app.post("/rows", response_class=Response)
    async def add(request: Request) -> Response:
        row = {"id": new_id(), "body": await request.body()}
        await run_in_threadpool(database.write, lambda tx: tx.execute(insert(ROWS), row).rowcount)
        return Response('{"stored": 1}', 201, media_type="application/json")

    @app.get("/nothing", response_class=Response)
    async def nothing() -> Response:
        return Response("{}", media_type="application/json")

    @app.get("/health", response_class=Response)
    async def health() -> Response:
        return Response("{}", media_type="application/json")

    return app


def main() -> None:
    """Serve until stopped, with the server settings of the service."""
    app = build(os.environ["DATABASE_URL"])
    port = int(os.environ["AIRWAY_RELAY_PORT"])
    config = uvicorn.Config(app, "127.0.0.1", port, access_log=False, log_config=None, server_header=False)
    uvicorn.Server(config).run()


if __name__ == "__main__":
    main()
