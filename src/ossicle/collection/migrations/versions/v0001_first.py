"""The first schema: specimens, scans, readings, decisions, jobs."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_APPEND_ONLY = ("decision", "reading")


def upgrade() -> None:
    """Make the tables, and the triggers that keep decisions and readings as they were."""
    op.create_table(
        "collection",
        sa.Column("uid", sa.String(32), nullable=False),
        sa.Column("created", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("uid", name="pk_collection"),
    )
    op.create_table(
        "specimen",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("catalog_number", sa.String(200), nullable=False),
        sa.Column("scientific_name", sa.String(400), nullable=False),
        sa.Column("sex", sa.String(80), nullable=False),
        sa.Column("life_stage", sa.String(80), nullable=False),
        sa.Column("terms", sa.JSON(), nullable=False),
        sa.Column("human_remains", sa.Boolean(), nullable=False),
        sa.Column("consent", sa.Text(), nullable=False),
        sa.Column("remains_provenance", sa.Text(), nullable=False),
        sa.Column("export_allowed", sa.Boolean(), nullable=False),
        sa.Column("created", sa.String(32), nullable=False),
        sa.Column("changed", sa.String(32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_specimen"),
        sa.UniqueConstraint("catalog_number", name="uq_specimen_catalog_number"),
    )
    op.create_index("ix_specimen_scientific_name", "specimen", ["scientific_name"])
    op.create_table(
        "scan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("content_sha256", sa.String(64), nullable=False),
        sa.Column("store_sha256", sa.String(64), nullable=False),
        sa.Column("name", sa.String(400), nullable=False),
        sa.Column("shape_zyx", sa.JSON(), nullable=False),
        sa.Column("geometry", sa.JSON(), nullable=False),
        sa.Column("grey_unit", sa.String(80), nullable=False),
        sa.Column("calibration", sa.JSON(), nullable=False),
        sa.Column("scanner", sa.JSON(), nullable=False),
        sa.Column("sources", sa.JSON(), nullable=False),
        sa.Column("source_kept", sa.String(16), nullable=False),
        sa.Column("source_path", sa.Text(), nullable=False),
        sa.Column("source_state", sa.String(64), nullable=False),
        sa.Column("warnings", sa.JSON(), nullable=False),
        sa.Column("added", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_scan"),
        sa.UniqueConstraint("key", name="uq_scan_key"),
    )
    op.create_index("ix_scan_content_sha256", "scan", ["content_sha256"])
    op.create_index("ix_scan_source_state", "scan", ["source_state"])
    op.create_table(
        "specimen_scan",
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("box_zyx", sa.JSON(none_as_null=True), nullable=True),
        sa.PrimaryKeyConstraint("specimen_id", "scan_id", name="pk_specimen_scan"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_specimen_scan_specimen_id"),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name="fk_specimen_scan_scan_id"),
    )
    op.create_index("ix_specimen_scan_scan_id", "specimen_scan", ["scan_id"])
    op.create_table(
        "attachment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(400), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("added", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_attachment"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_attachment_specimen_id"),
    )
    op.create_index("ix_attachment_specimen_id", "attachment", ["specimen_id"])
    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(32), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("scan_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("code_version", sa.String(40), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=False),
        sa.Column("peak_mb", sa.Float(), nullable=False),
        sa.Column("heeded", sa.JSON(), nullable=False),
        sa.Column("folder_sha256", sa.String(64), nullable=False),
        sa.Column("labels_sha256", sa.String(64), nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reading"),
        sa.UniqueConstraint("uid", name="uq_reading_uid"),
        sa.UniqueConstraint("specimen_id", "number", name="uq_reading_specimen_id"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_reading_specimen_id"),
        sa.ForeignKeyConstraint(["scan_id"], ["scan.id"], name="fk_reading_scan_id"),
    )
    op.create_index("ix_reading_scan_id", "reading", ["scan_id"])
    op.create_table(
        "decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("who", sa.String(200), nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("scan_key", sa.String(64), nullable=False),
        sa.Column("reading_number", sa.Integer(), nullable=True),
        sa.Column("anchors", sa.JSON(), nullable=False),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("target", sa.Integer(), nullable=True),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_decision"),
        sa.UniqueConstraint("specimen_id", "number", name="uq_decision_specimen_id"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_decision_specimen_id"),
    )
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(32), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("stage", sa.String(80), nullable=False),
        sa.Column("share", sa.Float(), nullable=False),
        sa.Column("cancel", sa.Boolean(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("who", sa.String(200), nullable=False),
        sa.Column("queued", sa.String(32), nullable=False),
        sa.Column("started", sa.String(32), nullable=False),
        sa.Column("ended", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_job"),
        sa.UniqueConstraint("uid", name="uq_job_uid"),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name="fk_job_specimen_id"),
    )
    op.create_index("ix_job_specimen_id", "job", ["specimen_id"])
    op.create_index("ix_job_state", "job", ["state"])
    for table in _APPEND_ONLY:
        append_only(table)


def append_only(table: str) -> None:
    """Refuse to alter or remove rows of a table, whoever asks."""
    if op.get_bind().dialect.name == "sqlite":
        for event in ("update", "delete"):
            op.execute(
                f'CREATE TRIGGER {table}_no_{event} BEFORE {event.upper()} ON "{table}" '
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )
        return
    op.execute(
        "CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
    )
    op.execute(
        f'CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON "{table}" '
        "FOR EACH ROW EXECUTE FUNCTION append_only()"
    )
