"""Faults put under a pipeline: the n-th statement of a transaction fails, or a conflict happens once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from service.pipeline import Pipeline
from service.store.prepared import Collision


class Fault(Exception):
    """The fault that was put in."""


@contextmanager
def fault_at(pipeline: Pipeline, number: int) -> Iterator[list[str]]:
    """The statement of that number (from 0) fails before it runs; gives the statements begun so far."""
    seen: list[str] = []

    def before(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        seen.append(statement)
        if len(seen) == number + 1:
            raise Fault(statement)

    with _listening(pipeline, "before_cursor_execute", before):
        yield seen


@contextmanager
def fault_at_commit(pipeline: Pipeline) -> Iterator[None]:
    """The commit fails before it reaches the database."""

    def before(_connection: Any) -> None:
        raise Fault("commit")

    with _listening(pipeline, "commit", before):
        yield


@contextmanager
def conflict_once(pipeline: Pipeline, at: str, conflict: Exception | None = None) -> Iterator[list[str]]:
    """The first statement that begins with `at` meets a conflict; gives every statement begun with it."""
    seen: list[str] = []
    error = conflict or Collision()

    def before(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if statement.startswith(at):
            seen.append(statement)
            if len(seen) == 1:
                raise error

    with _listening(pipeline, "before_cursor_execute", before):
        yield seen


def locked() -> OperationalError:
    """What SQLite says when another process kept the database for too long."""
    return OperationalError("BEGIN IMMEDIATE", {}, sqlite3.OperationalError("database is locked"))


@contextmanager
def _listening(pipeline: Pipeline, name: str, listener: Any) -> Iterator[None]:
    engine = pipeline._database.engine
    event.listen(engine, name, listener)
    try:
        yield
    finally:
        event.remove(engine, name, listener)
