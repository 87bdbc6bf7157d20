"""Parties of cases, who sees or wrote what is of no case, identifiers by the organisation that gave them, old notices."""

import sqlalchemy as sa
from alembic import op

from service.store.migrations.partitions import lay_out, partitions_of

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Make the tables; parties of the cases on record are filled at the next start (`service/pipeline/access/parties.py`)."""
    op.create_table(
        "case_party",
        sa.Column("case_number", sa.String(64), primary_key=True),
        sa.Column("organisation", sa.String(80), primary_key=True),
        sa.Column("part", sa.String(16), primary_key=True),
    )
    op.create_index("ix_case_party_organisation", "case_party", ["organisation", "case_number"])
    op.create_table(
        "resource_party",
        sa.Column("type", sa.String(32), primary_key=True),
        sa.Column("id", sa.String(64), primary_key=True),
        sa.Column("organisation", sa.String(80), primary_key=True),
        sa.Column("wrote", sa.Boolean, nullable=False, server_default=sa.false()),
    )
    op.create_index("ix_resource_party_organisation", "resource_party", ["organisation", "type", "id"])
    _give_identities_a_scope()
    op.add_column("subscription", sa.Column("organisation", sa.String(80), nullable=False, server_default=""))
    op.create_index("ix_subscription_event_notice_id", "subscription_event", ["notice_id"])
    partitions = partitions_of("resource_version")
    if partitions:
        lay_out("case_party", ("case_number", "organisation", "part"), partitions)
        lay_out("notice", ("id", "case_number"), partitions)


def _give_identities_a_scope() -> None:
    """The same identifiers, with the scope as a part of their key; those on record are everybody's."""
    op.rename_table("identity", "identity_before")
    op.create_table(
        "identity",
        sa.Column("type", sa.String(32), nullable=False),
        sa.Column("system", sa.String(255), nullable=False),
        sa.Column("value", sa.String(255), nullable=False),
        sa.Column("scope", sa.String(80), nullable=False, server_default=""),
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("type", "system", "value", "scope", name="identity_key"),
    )
    columns = "type, system, value, id, revision"
    op.execute(f"INSERT INTO identity ({columns}) SELECT {columns} FROM identity_before")
    op.drop_table("identity_before")
