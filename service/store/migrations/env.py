"""Alembic's entry: runs the revisions on the connection handed over by `migrate`."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
