"""The catalogue's schema, step by step (Alembic)."""
