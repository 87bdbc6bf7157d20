"""What must hold of a database at any moment between two transactions: every message whole, nothing left over."""

from __future__ import annotations

from collections import Counter
from datetime import date
from typing import Any

from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from service.deciding.decide import overdue_day, summary_of, with_birth_date
from service.deciding.state import state_of
from service.fhir.build import SHARED
from service.fhir.facts.assemble import assemble
from service.fhir.facts.fact import StoredFact
from service.fhir.facts.moves import with_moves
from service.fhir.facts.referral import TaskFact
from service.fhir.facts.text import fact_text, facts_from
from service.fhir.json_text import load, write_canonical
from service.fhir.read_facts import read
from service.fhir.search_values import values_of
from service.rules.case_view import view_case
from service.rules.facts import CaseFacts
from service.rules.needed import needed
from service.rules.site import Site
from service.rules.source import Source
from service.rules.thresholds import Thresholds
from service.rules.words import day
from tests.store.chain import check_chain

TABLES = (
    *("resource_version", "identity", "case_row", "fact", "message", "search_value"),
    *("notice", "subscription", "subscription_event", "case_party", "resource_party"),
    *("audit_chain", "audit_head"),
)
Rows = list[dict[str, Any]]


def rows_of(database_url: str) -> dict[str, Rows]:
    """Every row of every table."""
    url = make_url(database_url)
    if url.get_backend_name() == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    engine = create_engine(url)
    with engine.connect() as connection:
        # one moment for all tables: entries of reads are written while others look
        if url.get_backend_name() == "sqlite":
            connection.exec_driver_sql("BEGIN")
        else:
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        held = {t: [dict(r) for r in connection.execute(text(f"SELECT * FROM {t}")).mappings()] for t in TABLES}
    engine.dispose()
    return held


def check_whole(held: dict[str, Rows]) -> None:
    """AssertionError when any message is half-stored or any case says other than its resources."""
    _versions_are_gapless(held["resource_version"])
    _messages_and_audit_agree(held)
    check_chain(held)
    _identities_lead_somewhere(held)
    _index_agrees(held)
    for case in held["case_row"]:
        _case_agrees(held, case)


def current(rows: Rows) -> dict[str, dict[str, Any]]:
    """The row of the highest version of each resource, by reference."""
    found: dict[str, dict[str, Any]] = {}
    for row in sorted(rows, key=lambda r: r["version"]):
        found[f"{row['type']}/{row['id']}"] = row
    return found


def _versions_are_gapless(rows: Rows) -> None:
    by_resource: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        by_resource.setdefault((row["type"], row["id"]), []).append(row["version"])
        if row["deleted"]:
            assert row["version"] > 1
            assert row["body"] == ""
            continue
        body = load(row["body"])
        assert (body["resourceType"], body["id"]) == (row["type"], row["id"])
        assert body["meta"]["versionId"] == str(row["version"])
        assert body["meta"]["lastUpdated"] == row["last_updated"]
    for key, versions in by_resource.items():
        assert sorted(versions) == list(range(1, len(versions) + 1)), f"{key} has versions {sorted(versions)}"


_WITHOUT_MESSAGE = (
    "made anew from the resources",
    "decided anew for the day",
    "decided anew by another release",
    "subscription",
    "a check-in link was made",
    "the check-in link was ended",
    "parties put on record",
    "rules put on record",
)


_RULES = "Device/airway-relay-rules/"


def _messages_and_audit_agree(held: dict[str, Rows]) -> None:
    """One AuditEvent that writes per message; every version but the rules' own Device was made by exactly one of them."""
    rows = held["resource_version"]
    events = [r for r in rows if r["type"] == "AuditEvent" and not _is_of_a_read(load(r["body"]))]
    named: Counter[str] = Counter()
    made: Counter[str] = Counter()
    by_request: dict[str, dict[str, Any]] = {}
    for event in events:
        first, *touched = load(event["body"])["entity"]
        request = first["what"]["identifier"]["value"]
        named[request] += 1
        by_request[request] = event
        written = [t["what"]["reference"] for t in touched]
        made.update(r for r in written if "/_history/" in r and not r.startswith(("Subscription/", _RULES)))
    for message in held["message"]:
        assert named[message["id"]] == 1, f"message {message['id']} has {named[message['id']]} audit entries"
        number = by_request[message["id"]]["case_number"]
        assert number == message["case_number"] or (number[0] == "-" and not message["case_number"])
    for request in set(named) - {m["id"] for m in held["message"]}:
        assert load(by_request[request]["body"])["outcomeDesc"] in _WITHOUT_MESSAGE
    there = {
        f"{r['type']}/{r['id']}/_history/{r['version']}"
        for r in rows
        if r["type"] != "AuditEvent" and r["id"] != "airway-relay-rules"
    }
    assert set(made) == there
    assert set(made.values()) <= {1}


def _is_of_a_read(event: dict[str, Any]) -> bool:
    return event["outcomeDesc"].startswith(("read ", "refused "))


def _identities_lead_somewhere(held: dict[str, Rows]) -> None:
    there = current(held["resource_version"])
    for row in held["identity"]:
        assert not there[f"{row['type']}/{row['id']}"]["deleted"]


def _index_agrees(held: dict[str, Rows]) -> None:
    """The search index says of every current version what its resource says, and nothing else."""
    anew = {
        (row["type"], row["id"], row["case_number"], *value)
        for row in current(held["resource_version"]).values()
        if not row["deleted"]
        for value in values_of(load(row["body"]))
    }
    columns = ("type", "id", "case_number", "param", "value", "part", "ends")
    kept = [tuple(row[name] for name in columns) for row in held["search_value"]]
    assert sorted(kept, key=str) == sorted(anew, key=str)


def _with_every_move(held: dict[str, Rows], task: str) -> TaskFact:
    """The fact in a Task, from all its versions."""
    versions = [r for r in held["resource_version"] if f"{r['type']}/{r['id']}" == task]
    fact = None
    for row in sorted(versions, key=lambda r: r["version"]):
        told, _ = read(load(row["body"]), "Task")
        assert isinstance(told, TaskFact)
        fact = with_moves(told, fact)
    assert fact
    return fact


def facts_read_anew(held: dict[str, Rows], case_number: str) -> dict[str, tuple[int, str]]:
    """The facts in the current resources of a case: version and text by reference."""
    found: dict[str, tuple[int, str]] = {}
    for reference, row in current(held["resource_version"]).items():
        if row["case_number"] != case_number or row["type"] in SHARED or row["deleted"]:
            continue
        fact, problems = read(load(row["body"]), row["type"])
        assert not problems
        if isinstance(fact, TaskFact):
            fact = _with_every_move(held, reference)
        if fact is not None:
            found[reference] = (row["version"], fact_text(fact))
    return found


def kept_facts(held: dict[str, Rows], case_number: str) -> dict[str, tuple[int, str]]:
    """The facts in the fact table, in the same shape."""
    return {
        f"{row['type']}/{row['id']}": (row["version"], row["small"])
        for row in held["fact"]
        if row["case_number"] == case_number
    }


def _marks_agree(held: dict[str, Rows], case: dict[str, Any], facts: CaseFacts, since: str) -> None:
    """The facts that are not marked as spent are those that decisions from that day on need."""
    used = needed(facts, Thresholds(), date.fromisoformat(since))
    kinds = (used.settings, used.check_ins, used.side_effects, used.red_flags)
    wanted = {fact.source.reference for kind in kinds for fact in kind}
    rows = {f"{r['type']}/{r['id']}": r for r in held["fact"] if r["case_number"] == case["case_number"]}
    spendable = ("setting", "check-in", "side-effect", "red-flag")
    assert wanted == {k for k, r in rows.items() if load(r["small"])["kind"] in spendable and not r["spent"]}
    assert not any(r["spent"] for r in rows.values() if load(r["small"])["kind"] not in spendable)


def _case_agrees(held: dict[str, Rows], case: dict[str, Any]) -> None:
    """Case row, facts, decision, CarePlan and the row's notes of versions all say the same."""
    number = case["case_number"]
    anew = facts_read_anew(held, number)
    assert kept_facts(held, number) == anew
    read_again = facts_from(text for _, text in anew.values())
    facts = assemble(
        StoredFact(Source(r, version), fact) for (r, (version, _)), fact in zip(anew.items(), read_again, strict=True)
    )
    patient = load(current(held["resource_version"])[case["patient"]]["body"])
    facts = with_birth_date(facts, patient.get("birthDate", ""))
    view = view_case(facts, Site(), date.fromisoformat(case["decided_on"]))
    assert write_canonical(summary_of(number, view)) == write_canonical(load(case["summary"]))
    due = overdue_day(view, state_of(case["derived"]), Thresholds())
    assert case["overdue_from"] == due, f"{number} is overdue from {case['overdue_from']}, by its facts from {due}"
    assert (case["stage"], case["outcome"]) == (view.stage.name.value, view.readiness.outcome)
    there = current(held["resource_version"])
    for reference, (version, _digest) in load(case["derived"])["versions"].items():
        assert there[reference]["version"] == version
    recorded = view_case(facts, Site(), date.fromisoformat(case["recorded_on"]))
    plan = load(there[f"CarePlan/{number}"]["body"])
    assert recorded.readiness.sentence in {note["text"] for note in plan["note"]}
    assert f"As of {day(recorded.as_of)}." in plan["description"]
    _marks_agree(held, case, facts, state_of(case["derived"]).superseded_before)
    for reference in (case["patient"], case["referral"], case["task"]):
        assert reference in there
