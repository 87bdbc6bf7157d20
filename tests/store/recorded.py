"""A database with something in every table of the record, and ways to damage it behind the service's back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Boolean, Engine, Integer, LargeBinary, MetaData, Table, text
from sqlalchemy.engine import RowMapping
from starlette.testclient import TestClient

from service import __version__
from service.app import build_app
from service.fhir.json_text import load
from service.outbound.addresses import Egress
from service.pipeline.record import expire
from service.pipeline.verify.report import Counts, Report
from service.pipeline.verify.whole import Verification
from service.settings import Settings
from service.store.audit_chain import Head
from service.store.caller import ALL_SEEING
from service.store.engine import Database
from service.wiring import build_pipeline
from tests.access.world import Grants, World
from tests.conftest import PARTITIONS, Clock
from tests.store.earlier import engine_of
from tests.store.messages import Post, check_in, referral, settled_course, take, take_drafts
from tests.store.test_record import closed_case
from tests.web.messages import Case, note, post


def fill(url: str) -> None:
    """A case told by three offices, one with a deleted note, one that was removed, messages of no case, and reads."""
    settings = Settings(database_url=url, partitions=PARTITIONS, egress=Egress("", on_loopback=True), delivers=False)
    clock = Clock()
    pipeline = build_pipeline(settings, clock=clock)
    grants = Grants(build_app(settings, pipeline))
    with TestClient(grants) as client:
        made = World(client, grants, pipeline)
        made.play(made.here)
        made.ask(made.here.dentist, "GET", f"/cases/{made.here.case}")
        kept = post(client, "/fhir/Communication", note(Case(client), "n-1"))
        assert client.delete(f"/fhir/Communication/{load(kept.text)['id']}").status_code == 204
        take_drafts(pipeline)
        number = closed_case(pipeline, "R-3000")
        assert expire(pipeline.database, number, "2026-11-21", "ten years are over") == ""
        number = take(pipeline, Post("referrals", referral("R-4000"))).case_number
        clock.move(days=700)
        for told in (*settled_course(), _check_ins(date(2027, 10, 1)), _check_ins(date(2028, 10, 1))):
            take(pipeline, told, number)
    pipeline.close()


def _check_ins(last: date) -> Post:
    """Those of many weeks; when a year of others follows them, decisions no longer read them."""
    days = [last - timedelta(weeks=week) for week in range(8)]
    posts = [check_in(f"{day.isoformat()}", day.isoformat(), epworth_total=None) for day in days]
    return Post("progress", {"check_ins": [one for post in posts for one in post.body["check_ins"]]})


def verified(url: str, heads: list[Head] | None = None) -> tuple[list[str], Counts]:
    """What a verification of a database finds, which is opened only to be read."""
    database = Database.existing(url)
    lines: list[str] = []
    report = Report(lines.append)
    Verification(database.seen_by(ALL_SEEING), __version__, report).everything(heads or [])
    database.close()
    assert report.counts.findings == len(lines)
    return lines, report.counts


@dataclass
class Damage:
    """A database that can be changed row by row."""

    engine: Engine
    tables: MetaData

    @classmethod
    def to(cls, url: str) -> Damage:
        """To a database."""
        engine, tables = engine_of(url), MetaData()
        tables.reflect(engine)
        return cls(engine, tables)

    def run(self, statement: str, **values: Any) -> None:
        """Run a statement that must change something."""
        with self.engine.begin() as connection:
            done = connection.execute(text(statement), values)
            assert done.rowcount > 0, statement

    def rows(self, table: str, where: str = "1 = 1") -> list[RowMapping]:
        """Rows of a table by its key."""
        keys = ", ".join(c.name for c in self.table(table).primary_key)
        with self.engine.connect() as connection:
            found = connection.execute(text(f"SELECT * FROM {table} WHERE {where} ORDER BY {keys}")).mappings()
            return list(found)

    def table(self, name: str) -> Table:
        """A table as the database has it."""
        return self.tables.tables[name]

    def change(self, table: str, column: str, where: str) -> None:
        """Put another value into a column of the first row that meets a condition."""
        held = self.table(table)
        row = self.rows(table, where)[0]
        own = [c == row[c.name] for c in held.primary_key]
        with self.engine.begin() as connection:
            connection.execute(held.update().where(*own).values({column: other(held.c[column].type, row[column])}))

    def double(self, table: str, where: str, key: str) -> None:
        """Put a copy of a row in, with another value in a column of its key."""
        held = self.table(table)
        row = dict(self.rows(table, where)[-1])
        with self.engine.begin() as connection:
            connection.execute(held.insert().values({**row, key: other(held.c[key].type, row[key])}))

    def remove(self, table: str, where: str) -> None:
        """Remove the last row that meets a condition."""
        held = self.table(table)
        row = self.rows(table, where)[-1]
        with self.engine.begin() as connection:
            connection.execute(held.delete().where(*[c == row[c.name] for c in held.primary_key]))

    def swap(self, table: str, column: str, where: str) -> None:
        """Let two rows that differ in a column have each the value of the other."""
        held = self.table(table)
        first, *others = self.rows(table, where)
        second = next(row for row in others if row[column] != first[column])
        with self.engine.begin() as connection:
            for row, value in ((first, second[column]), (second, first[column])):
                own = [c == row[c.name] for c in held.primary_key]
                connection.execute(held.update().where(*own).values({column: value}))


def other(kind: Any, value: Any) -> Any:
    """Another value of a column's type, as little different as can be."""
    if isinstance(kind, Boolean) or isinstance(value, bool):
        return not value
    if isinstance(kind, Integer) or isinstance(value, int):
        return int(value) + 1
    if isinstance(kind, LargeBinary) or isinstance(value, bytes | memoryview):
        return bytes(value) + b" "
    if not value:
        return "2026-01-01"
    last = {"0": "1", "}": "} "}.get(value[-1], "0")
    return value[:-1] + last
