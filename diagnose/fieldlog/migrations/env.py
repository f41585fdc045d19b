"""Runs the steps on the connection that the log hands over."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"], transactional_ddl=True, transaction_per_migration=False
)
context.run_migrations()
