"""Registered organisations and the numbers bound to them; parties that no binding bears out are suspended."""

import json
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from service.store.migrations.partitions import lay_out, partitions_of

revision = "0013"
down_revision = "0012"

_NUMBERS = "https://airway-relay.example/fhir/sid/organization"
_DIRECTORY = ("Practitioner", "PractitionerRole", "Organization")
_PARTS = {"lab": ("laboratory",), "placer": ("physician", "practice"), "fulfiller": ("dental_office",)}
"""Where a plain referral names the number of each party."""


def upgrade() -> None:
    """Make the tables; register the organisations of clients and people under the numbers that the operator typed."""
    _make_tables()
    bind = op.get_bind()
    bound = _register(bind)
    _give_entries_to_their_writers(bind, bound)
    _suspend(bind, bound)
    _tell_of_offices(bind)
    partitions = partitions_of("case_party")
    if partitions:
        lay_out("waiting_party", ("case_number", "part", "reference", "kind", "system", "value"), partitions)
        lay_out("suspended_party", ("case_number", "organisation", "part"), partitions)


def _make_tables() -> None:
    op.create_table(
        "organisation",
        sa.Column("reference", sa.String(80), primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("added_at", sa.String(32), nullable=False),
        sa.Column("written_at", sa.String(32), nullable=False),
    )
    op.create_table(
        "binding",
        sa.Column("kind", sa.String(32), primary_key=True),
        sa.Column("system", sa.String(255), primary_key=True),
        sa.Column("value", sa.String(255), primary_key=True),
        sa.Column("sender", sa.String(80), primary_key=True),
        sa.Column("organisation", sa.String(80), nullable=False),
        sa.Column("bound_at", sa.String(32), nullable=False),
    )
    op.create_index("ix_binding_organisation", "binding", ["organisation"])
    op.create_table(
        "waiting_party",
        sa.Column("case_number", sa.String(64), primary_key=True),
        sa.Column("part", sa.String(16), primary_key=True),
        sa.Column("reference", sa.String(80), primary_key=True),
        sa.Column("kind", sa.String(32), primary_key=True),
        sa.Column("system", sa.String(255), primary_key=True),
        sa.Column("value", sa.String(255), primary_key=True),
        sa.Column("sender", sa.String(80), nullable=False),
        sa.Column("since", sa.String(32), nullable=False),
    )
    op.create_index("ix_waiting_party_number", "waiting_party", ["kind", "system", "value"])
    op.create_table(
        "suspended_party",
        sa.Column("case_number", sa.String(64), primary_key=True),
        sa.Column("organisation", sa.String(80), primary_key=True),
        sa.Column("part", sa.String(16), primary_key=True),
    )


def _register(bind: sa.Connection) -> dict[str, str]:
    """Register the organisations of clients and people; the number of each one bound, by `Organization/id`.

    A number that the operator typed leads to the entry of the directory that bore it. Of several numbers that lead to
    one entry the first is bound: the entry was given the others by whoever wrote it.
    """
    used = {
        row[0] for row in bind.execute(sa.text("SELECT organisation FROM client UNION SELECT organisation FROM person"))
    }
    typed = sa.text("SELECT received_at, body FROM message WHERE channel = 'client registry' ORDER BY received_at, id")
    entry = sa.text("SELECT id FROM identity WHERE type = 'Organization' AND system = :s AND value = :v AND scope = ''")
    bound: dict[str, str] = {}
    names: dict[str, tuple[str, str]] = {}
    for received_at, body in bind.execute(typed).all():
        told = _plain(body).get("organisation", {})
        found = bind.execute(entry, {"s": _NUMBERS, "v": str(told.get("id", ""))}).scalar()
        reference = f"Organization/{found}"
        if found is None or reference in bound:
            continue
        bound[reference] = str(told["id"])
        names[reference] = (str(told.get("name", "")), received_at)
    for reference in sorted({*used, *bound}):
        name, added_at = names.get(reference, (reference, ""))
        values = {"r": reference, "n": name, "a": added_at, "i": reference.removeprefix("Organization/")}
        bind.execute(sa.text("INSERT INTO organisation VALUES (:r, :n, :a, '')"), values)
        everybody = "INSERT INTO resource_party (type, id, organisation, wrote) VALUES ('Organization', :i, '*', :f)"
        bind.execute(sa.text(everybody), {"i": values["i"], "f": False})
    for reference, number in bound.items():
        values = {"s": _NUMBERS, "v": number, "r": reference, "a": names[reference][1]}
        bind.execute(sa.text("INSERT INTO binding VALUES ('Organization', :s, :v, '', :r, :a)"), values)
    return bound


def _give_entries_to_their_writers(bind: sa.Connection, bound: dict[str, str]) -> None:
    """Numbers of the directory are the operator's where they are bound, else those of who wrote the entry first."""
    for number in bound.values():
        bind.execute(
            sa.text(
                "UPDATE identity SET scope = '*'"
                " WHERE type = 'Organization' AND system = :s AND value = :v AND scope = ''"
            ),
            {"s": _NUMBERS, "v": number},
        )
    # a further number on a registered organisation's record was put there by a client: it finds nobody any more
    bind.execute(
        sa.text(
            "UPDATE identity SET scope = '-' WHERE type = 'Organization' AND scope = '' AND EXISTS"
            " (SELECT 1 FROM organisation AS o WHERE o.reference = 'Organization/' || identity.id)"
        )
    )
    bind.execute(
        sa.text(
            "UPDATE identity SET scope = (SELECT min(organisation) FROM resource_party AS w"
            " WHERE w.type = identity.type AND w.id = identity.id AND w.wrote AND w.organisation != '*')"
            " WHERE type IN :kinds AND scope = '' AND EXISTS (SELECT 1 FROM resource_party AS w"
            " WHERE w.type = identity.type AND w.id = identity.id AND w.wrote AND w.organisation != '*')"
        ).bindparams(sa.bindparam("kinds", _DIRECTORY, expanding=True))
    )


def _suspend(bind: sa.Connection, bound: dict[str, str]) -> None:
    """Suspend the parties of cases whose referral does not name them by a bound number."""
    kept: set[tuple[str, str, str]] = set()
    by_number = {number: reference for reference, number in bound.items()}
    for case_number, body in _referrals(bind):
        for part, path in _PARTS.items():
            number = _at(body, path)
            if number in by_number:
                kept.add((case_number, by_number[number], part))
    only = _only_numbers(bind)
    rows = bind.execute(sa.text("SELECT case_number, organisation, part FROM case_party WHERE part != 'none'")).all()
    for case_number, organisation, part in rows:
        if (case_number, organisation, part) in kept or only.get(organisation) == {bound.get(organisation, "")}:
            continue
        values = {"c": case_number, "o": organisation, "p": part}
        bind.execute(sa.text("INSERT INTO suspended_party VALUES (:c, :o, :p)"), values)
        bind.execute(
            sa.text("DELETE FROM case_party WHERE case_number = :c AND organisation = :o AND part = :p"), values
        )


def _only_numbers(bind: sa.Connection) -> dict[str, set[str]]:
    """Every number that each organisation of the directory ever bore."""
    found: dict[str, set[str]] = {}
    rows = bind.execute(sa.text("SELECT id, value FROM identity WHERE type = 'Organization'"))
    for resource_id, value in rows:
        found.setdefault(f"Organization/{resource_id}", set()).add(value)
    return found


def _referrals(bind: sa.Connection) -> Iterator[tuple[str, dict[str, Any]]]:
    """The plain referrals as they were received, by the number of their case."""
    held = sa.text("SELECT case_number, body FROM message WHERE channel = 'intake referrals' AND case_number != ''")
    for case_number, body in bind.execute(held.execution_options(yield_per=200)):
        yield case_number, _plain(body)


def _tell_of_offices(bind: sa.Connection) -> None:
    """Let the parties of each case read the entries of the directory that its resources refer to."""
    bind.execute(
        sa.text(
            "INSERT INTO resource_party (type, id, organisation, wrote)"
            " SELECT DISTINCT v.part, v.value, p.organisation, :no FROM search_value AS v"
            " JOIN case_party AS p ON p.case_number = v.case_number"
            " WHERE v.part IN :kinds AND p.part != 'none' AND NOT EXISTS (SELECT 1 FROM resource_party AS r"
            " WHERE r.type = v.part AND r.id = v.value AND r.organisation = p.organisation)"
        ).bindparams(sa.bindparam("kinds", _DIRECTORY, expanding=True)),
        {"no": False},
    )


def _plain(body: Any) -> dict[str, Any]:
    try:
        held = json.loads(bytes(body))
    except ValueError:
        return {}
    return held if isinstance(held, dict) else {}


def _at(body: dict[str, Any], path: tuple[str, ...]) -> str:
    """The number of the party at a path of a plain referral; empty when none is told."""
    held: Any = body
    for name in path:
        held = held.get(name, {}) if isinstance(held, dict) else {}
    return str(held.get("id", "")) if isinstance(held, dict) else ""
