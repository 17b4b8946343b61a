"""The first tables: runs with readings and findings, what was in force, events, the outbox, commands."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "command",
        sa.Column("stand_key", sa.String(length=80), nullable=False),
        sa.Column("request_id", sa.String(length=80), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("reply", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("stand_key", "request_id", name="pk_command"),
    )
    op.create_index("ix_command_created", "command", ["created"], unique=False)
    op.create_table(
        "configuration",
        sa.Column("digest", sa.String(length=80), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("first_used", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_configuration"),
    )
    op.create_table(
        "part_revision",
        sa.Column("part", sa.String(length=80), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=80), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("first_used", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("part", "revision", "digest", name="pk_part_revision"),
    )
    op.create_table(
        "run",
        sa.Column("run", sa.String(length=36), nullable=False),
        sa.Column("site", sa.String(length=80), nullable=False),
        sa.Column("stand", sa.String(length=80), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=True),
        sa.Column("mode", sa.String(length=80), nullable=False),
        sa.Column("sim", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("part", sa.String(length=80), nullable=False),
        sa.Column("part_revision", sa.Integer(), nullable=False),
        sa.Column("part_digest", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=80), nullable=False),
        sa.Column("serial", sa.String(length=80), nullable=False),
        sa.Column("serial_given", sa.Boolean(), nullable=False),
        sa.Column("work_order", sa.Text(), nullable=True),
        sa.Column("operator", sa.Text(), nullable=True),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("earlier_runs", sa.JSON(), nullable=False),
        sa.Column("configuration", sa.String(length=80), nullable=False),
        sa.Column("started", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended", sa.DateTime(timezone=True), nullable=True),
        sa.Column("pump_on_s", sa.Double(), nullable=True),
        sa.Column("verdict", sa.String(length=80), nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("trace_file", sa.Text(), nullable=True),
        sa.Column("trace_sha256", sa.String(length=64), nullable=True),
        sa.Column("trace_bytes", sa.BigInteger(), nullable=True),
        sa.Column("recording_file", sa.Text(), nullable=True),
        sa.Column("recording_sha256", sa.String(length=64), nullable=True),
        sa.Column("recording_bytes", sa.BigInteger(), nullable=True),
        sa.Column("conditions", sa.JSON(), nullable=True),
        sa.Column("hints", sa.JSON(), nullable=True),
        sa.Column("quality", sa.JSON(), nullable=True),
        sa.Column("versions", sa.JSON(), nullable=False),
        sa.Column("rest", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["configuration"], ["configuration.digest"], name="fk_run_configuration_configuration"),
        sa.PrimaryKeyConstraint("run", name="pk_run"),
        sa.UniqueConstraint("site", "stand", "seq", name="uq_run_site_stand_seq"),
    )
    op.create_index("ix_run_part_serial", "run", ["part", "serial"], unique=False)
    op.create_index("ix_run_started", "run", ["started"], unique=False)
    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("stand_key", sa.String(length=80), nullable=False),
        sa.Column("run", sa.String(length=36), nullable=True),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.String(length=80), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["run.run"], name="fk_event_run_run"),
        sa.PrimaryKeyConstraint("id", name="pk_event"),
    )
    op.create_index("ix_event_run", "event", ["run"], unique=False)
    op.create_index("ix_event_stand_key_time", "event", ["stand_key", "time"], unique=False)
    op.create_table(
        "finding",
        sa.Column("run", sa.String(length=36), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("requirement", sa.Text(), nullable=False),
        sa.Column("quantity", sa.String(length=80), nullable=False),
        sa.Column("stage", sa.String(length=80), nullable=False),
        sa.Column("at_value", sa.Double(), nullable=True),
        sa.Column("at_unit", sa.String(length=80), nullable=True),
        sa.Column("at_reference", sa.String(length=80), nullable=True),
        sa.Column("after_s", sa.Double(), nullable=True),
        sa.Column("at_least", sa.Double(), nullable=True),
        sa.Column("at_most", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(length=80), nullable=True),
        sa.Column("reference", sa.String(length=80), nullable=True),
        sa.Column("mode", sa.String(length=80), nullable=False),
        sa.Column("guard", sa.Double(), nullable=False),
        sa.Column("reading", sa.Text(), nullable=True),
        sa.Column("finding", sa.String(length=80), nullable=False),
        sa.Column("p_conform", sa.Double(), nullable=True),
        sa.Column("rest", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["run.run"], name="fk_finding_run_run"),
        sa.PrimaryKeyConstraint("run", "position", name="pk_finding"),
    )
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("stand_key", sa.String(length=80), nullable=False),
        sa.Column("run", sa.String(length=36), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("created", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sent", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["run"], ["run.run"], name="fk_outbox_run_run"),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
    )
    op.create_index("ix_outbox_stand_key_sent_id", "outbox", ["stand_key", "sent", "id"], unique=False)
    op.create_table(
        "reading",
        sa.Column("run", sa.String(length=36), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("quantity", sa.String(length=80), nullable=False),
        sa.Column("stage", sa.String(length=80), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(length=80), nullable=False),
        sa.Column("reference", sa.String(length=80), nullable=True),
        sa.Column("standard_u", sa.Double(), nullable=True),
        sa.Column("expanded_u", sa.Double(), nullable=True),
        sa.Column("k", sa.Double(), nullable=True),
        sa.Column("dof", sa.Double(), nullable=True),
        sa.Column("n_effective", sa.Double(), nullable=True),
        sa.Column("window_from_s", sa.Double(), nullable=True),
        sa.Column("window_to_s", sa.Double(), nullable=True),
        sa.Column("interval_low", sa.Double(), nullable=True),
        sa.Column("interval_high", sa.Double(), nullable=True),
        sa.Column("corrections", sa.JSON(), nullable=True),
        sa.Column("flags", sa.JSON(), nullable=True),
        sa.Column("rest", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["run.run"], name="fk_reading_run_run"),
        sa.PrimaryKeyConstraint("run", "position", name="pk_reading"),
    )


def downgrade() -> None:
    """To drop these tables would be to drop every record, which nobody can mean by going back a version."""
    raise RuntimeError("there is nothing before the first tables; drop the database, or restore a backup, instead")
