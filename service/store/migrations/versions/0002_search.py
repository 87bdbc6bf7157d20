"""Search: which versions are deletions."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Mark versions that say the resource is deleted; none was before."""
    op.add_column("resource_version", sa.Column("deleted", sa.Boolean, nullable=False, server_default=sa.false()))
