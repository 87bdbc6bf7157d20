"""The audit chain; AuditEvents of earlier releases are linked as they are found."""

import hashlib

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
_CHAINS = 16
_BATCH = 1000


def upgrade() -> None:
    """Make the tables, the beginning of every chain, and the links of what is there."""
    links = op.create_table(
        "audit_chain",
        sa.Column("chain", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("number", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("event", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
    )
    op.create_index("ix_audit_chain_event", "audit_chain", ["event"], unique=True)
    heads = op.create_table(
        "audit_head",
        sa.Column("chain", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("number", sa.BigInteger, nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
    )
    connection = op.get_bind()
    number, last = _linked(connection, links)
    op.bulk_insert(heads, [{"chain": c, "number": 0, "hash": ""} for c in range(1, _CHAINS)])
    op.bulk_insert(heads, [{"chain": 0, "number": number, "hash": last}])


def _linked(connection: sa.Connection, links: sa.Table) -> tuple[int, str]:
    """Links every AuditEvent there is into the first chain, by id; the number and hash of the last."""
    number, last, after = 0, "", ""
    wanted = sa.text(
        "SELECT id, last_updated, body FROM resource_version"
        " WHERE type = 'AuditEvent' AND version = 1 AND id > :after ORDER BY id LIMIT :batch"
    )
    while found := connection.execute(wanted, {"after": after, "batch": _BATCH}).all():
        rows = []
        for event, recorded, body in found:
            number += 1
            text = "\n".join((last, "0", str(number), event, recorded, body))
            last = hashlib.sha256(text.encode()).hexdigest()
            rows.append({"chain": 0, "number": number, "event": event, "hash": last})
        connection.execute(sa.insert(links), rows)
        after = found[-1][0]
    return number, last
