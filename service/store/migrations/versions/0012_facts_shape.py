"""A case says in which shape its facts are stored, so that a later release reads them anew.

A database may stand at 0010 by another revision of that number, which added one index of 0009 alone and followed 0008.
"""

import sqlalchemy as sa
from alembic import context, op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Add it, empty for every case there is; first make what 0009 and 0010 make where the other 0010 stood."""
    if not sa.inspect(op.get_bind()).has_table("person"):
        op.drop_index("ix_case_row_waiting", "case_row")
        for earlier in ("0009", "0010"):
            context.script.get_revision(earlier).module.upgrade()
    op.add_column("case_row", sa.Column("facts_shape", sa.String(32), nullable=False, server_default=""))
    op.create_index("ix_case_row_facts_shape", "case_row", ["facts_shape", "case_number"])
