"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "coolers",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("changed", sa.BigInteger(), nullable=False),
        sa.Column("retired", sa.BigInteger(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_coolers"),
        sa.UniqueConstraint("name", name="uq_coolers_name"),
    )
    op.create_index("ix_coolers_created_id", "coolers", ["created", "id"])
    op.create_table(
        "events",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
    )
    op.create_index("ix_events_kind_time_id", "events", ["kind", "time", "id"])
    op.create_index("ix_events_time_id", "events", ["time", "id"])
    op.create_table(
        "jobs",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("request", sa.JSON(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("changed", sa.BigInteger(), nullable=False),
        sa.Column("started", sa.BigInteger(), nullable=True),
        sa.Column("ended", sa.BigInteger(), nullable=True),
        sa.Column("position", sa.Integer(), nullable=True),
        sa.Column("progress", sa.JSON(), nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("results", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
    )
    op.create_index("ix_jobs_created_id", "jobs", ["created", "id"])
    op.create_index("ix_jobs_state_created_id", "jobs", ["state", "created", "id"])
    op.create_table(
        "level_series",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("input", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("bands", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_level_series"),
        sa.UniqueConstraint("input", "unit", "bands", name="uq_level_series_input_unit_bands"),
    )
    op.create_table(
        "calibrations",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("input", sa.Text(), nullable=False),
        sa.Column("channel", sa.Integer(), nullable=False),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("pascal_per_unit", sa.Double(), nullable=True),
        sa.Column("U95_db", sa.Double(), nullable=True),
        sa.Column("drift_db", sa.Double(), nullable=True),
        sa.Column("next_due", sa.BigInteger(), nullable=True),
        sa.Column("job", sa.Text(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_calibrations_job"),
        sa.PrimaryKeyConstraint("id", name="pk_calibrations"),
    )
    op.create_index(
        "ix_calibrations_input_channel_time_id", "calibrations", ["input", "channel", "time", "id"]
    )
    op.create_index("ix_calibrations_job", "calibrations", ["job"])
    op.create_index("ix_calibrations_time_id", "calibrations", ["time", "id"])
    op.create_table(
        "floor_checks",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("input", sa.Text(), nullable=False),
        sa.Column("LAeq_db", sa.Double(), nullable=False),
        sa.Column("LA90_db", sa.Double(), nullable=False),
        sa.Column("U95_db", sa.Double(), nullable=False),
        sa.Column("fit_for_target_db", sa.Double(), nullable=False),
        sa.Column("scheduled", sa.Boolean(), nullable=False),
        sa.Column("job", sa.Text(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_floor_checks_job"),
        sa.PrimaryKeyConstraint("id", name="pk_floor_checks"),
    )
    op.create_index("ix_floor_checks_input_time_id", "floor_checks", ["input", "time", "id"])
    op.create_index("ix_floor_checks_job", "floor_checks", ["job"])
    op.create_index("ix_floor_checks_time_id", "floor_checks", ["time", "id"])
    op.create_index(
        "ix_floor_checks_trend",
        "floor_checks",
        ["time", "input", "LAeq_db", "LA90_db", "fit_for_target_db"],
    )
    op.create_table(
        "level_blocks",
        sa.Column("minute", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("series", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("levels", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["series"], ["level_series.id"], name="fk_level_blocks_series"),
        sa.PrimaryKeyConstraint("minute", "series", name="pk_level_blocks"),
    )
    op.create_table(
        "level_minutes",
        sa.Column("minute", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("series", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("rows", sa.SmallInteger(), nullable=False),
        sa.Column("energy", sa.Double(), nullable=False),
        sa.Column("LA10", sa.Double(), nullable=True),
        sa.Column("LA50", sa.Double(), nullable=True),
        sa.Column("LA90", sa.Double(), nullable=True),
        sa.Column("LAFmax", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["series"], ["level_series.id"], name="fk_level_minutes_series"),
        sa.PrimaryKeyConstraint("minute", "series", name="pk_level_minutes"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "profiles",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("cooler", sa.Text(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("input", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("pump", sa.Text(), nullable=False),
        sa.Column("trail", sa.Text(), nullable=True),
        sa.Column("trail_sha256", sa.Text(), nullable=True),
        sa.Column("job", sa.Text(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["cooler"], ["coolers.name"], name="fk_profiles_cooler"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_profiles_job"),
        sa.PrimaryKeyConstraint("id", name="pk_profiles"),
    )
    op.create_index("ix_profiles_cooler_time_id", "profiles", ["cooler", "time", "id"])
    op.create_index("ix_profiles_job", "profiles", ["job"])
    op.create_index("ix_profiles_time_id", "profiles", ["time", "id"])
    op.create_table(
        "rechecks",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("cooler", sa.Text(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("holds", sa.Boolean(), nullable=True),
        sa.Column("then_LAeq_db", sa.Double(), nullable=False),
        sa.Column("difference_db", sa.Double(), nullable=True),
        sa.Column("difference_U95_db", sa.Double(), nullable=True),
        sa.Column("job", sa.Text(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["cooler"], ["coolers.name"], name="fk_rechecks_cooler"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_rechecks_job"),
        sa.PrimaryKeyConstraint("id", name="pk_rechecks"),
    )
    op.create_index("ix_rechecks_cooler_time_id", "rechecks", ["cooler", "time", "id"])
    op.create_index("ix_rechecks_job", "rechecks", ["job"])
    op.create_index("ix_rechecks_time_id", "rechecks", ["time", "id"])
    op.create_table(
        "sounds",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("rate_hz", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=False),
        sa.Column("command", sa.Text(), nullable=False),
        sa.Column("cooler", sa.Text(), nullable=True),
        sa.Column("job", sa.Text(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_sounds_job"),
        sa.PrimaryKeyConstraint("id", name="pk_sounds"),
        sa.UniqueConstraint("path", name="uq_sounds_path"),
    )
    op.create_index("ix_sounds_cooler_time_id", "sounds", ["cooler", "time", "id"])
    op.create_index("ix_sounds_job", "sounds", ["job"])
    op.create_index("ix_sounds_time_id", "sounds", ["time", "id"])
    op.create_table(
        "matches",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("time", sa.BigInteger(), nullable=False),
        sa.Column("changed", sa.BigInteger(), nullable=False),
        sa.Column("cooler", sa.Text(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("input", sa.Text(), nullable=False),
        sa.Column("target_db", sa.Double(), nullable=True),
        sa.Column("target_sone", sa.Double(), nullable=True),
        sa.Column("tolerance_db", sa.Double(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("LAeq_db", sa.Double(), nullable=True),
        sa.Column("U95_db", sa.Double(), nullable=True),
        sa.Column("floor_LAeq_db", sa.Double(), nullable=False),
        sa.Column("margin_db", sa.Double(), nullable=True),
        sa.Column("fan_duty_percent", sa.Double(), nullable=True),
        sa.Column("fan_rpm", sa.Double(), nullable=True),
        sa.Column("pump_duty_percent", sa.Double(), nullable=True),
        sa.Column("pump_rpm", sa.Double(), nullable=True),
        sa.Column("calibration", sa.Text(), nullable=True),
        sa.Column("drift_db", sa.Double(), nullable=True),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("trail", sa.Text(), nullable=True),
        sa.Column("trail_sha256", sa.Text(), nullable=True),
        sa.Column("job", sa.Text(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["calibration"], ["calibrations.id"], name="fk_matches_calibration"
        ),
        sa.ForeignKeyConstraint(["cooler"], ["coolers.name"], name="fk_matches_cooler"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_matches_job"),
        sa.PrimaryKeyConstraint("id", name="pk_matches"),
    )
    op.create_index("ix_matches_calibration", "matches", ["calibration"])
    op.create_index("ix_matches_cooler_time_id", "matches", ["cooler", "time", "id"])
    op.create_index("ix_matches_job", "matches", ["job"])
    op.create_index("ix_matches_outcome_time_id", "matches", ["outcome", "time", "id"])
    op.create_index("ix_matches_target_db_time_id", "matches", ["target_db", "time", "id"])
    op.create_index("ix_matches_time_id", "matches", ["time", "id"])
