"""Localities held apart from the other terms, words to search, and a record of changes to catalogue data."""

import sqlalchemy as sa
from alembic import op

from ossicle.collection.migrations.versions.v0001_first import append_only

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_HELD = ("decimalLatitude", "decimalLongitude", "coordinateUncertaintyInMeters", "locality")


def upgrade() -> None:
    """Add the tables and the column; move coordinates out of the terms; fill the words."""
    op.create_table(
        "locality",
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("decimal_latitude", sa.Float(), nullable=True),
        sa.Column("decimal_longitude", sa.Float(), nullable=True),
        sa.Column("uncertainty_m", sa.Float(), nullable=True),
        sa.Column("locality", sa.Text(), nullable=False),
        sa.Column("category", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("review_date", sa.String(10), nullable=False),
        sa.PrimaryKeyConstraint("specimen_id", name="pk_locality"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_locality_specimen_id"),
    )
    op.create_table(
        "change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("who", sa.String(200), nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("fields", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_change"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_change_specimen_id"),
    )
    op.create_index("ix_change_specimen_id", "change", ["specimen_id"])
    append_only("change")
    op.add_column("specimen", sa.Column("words", sa.Text(), nullable=False, server_default=""))
    _move()


def _move() -> None:
    specimen = sa.table(
        "specimen",
        sa.column("id", sa.Integer),
        sa.column("catalog_number", sa.String),
        sa.column("scientific_name", sa.String),
        sa.column("sex", sa.String),
        sa.column("life_stage", sa.String),
        sa.column("terms", sa.JSON),
        sa.column("words", sa.Text),
    )
    locality = sa.table(
        "locality",
        sa.column("specimen_id", sa.Integer),
        sa.column("decimal_latitude", sa.Float),
        sa.column("decimal_longitude", sa.Float),
        sa.column("uncertainty_m", sa.Float),
        sa.column("locality", sa.Text),
        sa.column("category", sa.Integer),
        sa.column("reason", sa.Text),
        sa.column("review_date", sa.String),
    )
    bind = op.get_bind()
    for row in bind.execute(sa.select(specimen)).mappings().all():
        terms = dict(row["terms"] or {})
        held = {name: terms.pop(name, None) for name in _HELD}
        if any(value not in (None, "") for value in held.values()):
            bind.execute(
                locality.insert().values(
                    specimen_id=row["id"],
                    decimal_latitude=_number(held["decimalLatitude"]),
                    decimal_longitude=_number(held["decimalLongitude"]),
                    uncertainty_m=_number(held["coordinateUncertaintyInMeters"]),
                    locality=held["locality"] or "",
                    category=0,
                    reason="",
                    review_date="",
                )
            )
        own = (row["catalog_number"], row["scientific_name"], row["sex"], row["life_stage"])
        words = " ".join(str(v) for v in (*own, *terms.values()) if v).lower()
        bind.execute(specimen.update().where(specimen.c.id == row["id"]).values(terms=terms, words=words))


def _number(value: object) -> float | None:
    try:
        return None if value in (None, "") else float(str(value))
    except ValueError:
        return None
