"""Alembic's way in: it is given an open connection and runs within its transaction."""

from alembic import context

from ossicle.collection.tables import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, transaction_per_migration=False
)
with context.begin_transaction():
    context.run_migrations()
