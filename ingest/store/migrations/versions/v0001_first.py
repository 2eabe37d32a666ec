"""The first schema: which store it is, runs, files, results, figures."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the tables."""
    op.create_table(
        "store",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_store")),
    )
    _create_runs()
    _create_what_belongs_to_runs()


def _create_runs() -> None:
    op.create_table(
        "runs",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("vehicle", sa.Text(), nullable=False),
        sa.Column("family", sa.Text(), nullable=True),
        sa.Column("heater", sa.String(length=20), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=True),
        sa.Column("plant", sa.Text(), nullable=True),
        sa.Column("operator", sa.Text(), nullable=True),
        sa.Column("logger", sa.Text(), nullable=True),
        sa.Column("started", sa.DateTime(timezone=True), nullable=True),
        sa.Column("duration_s", sa.Float(), nullable=False),
        sa.Column("ambient_degC", sa.Float(), nullable=True),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("readings_sha256", sa.String(length=64), nullable=False),
        sa.Column("added", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
    )
    op.create_index(op.f("ix_runs_family"), "runs", ["family"], unique=False)
    op.create_index(op.f("ix_runs_purpose"), "runs", ["purpose"], unique=False)
    op.create_index(op.f("ix_runs_vehicle"), "runs", ["vehicle"], unique=False)


def _create_what_belongs_to_runs() -> None:
    op.create_table(
        "figures",
        sa.Column("run_id", sa.String(length=64), nullable=False),
        sa.Column("figure", sa.String(length=60), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("u", sa.Float(), nullable=True),
        sa.Column("random", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("low", sa.Float(), nullable=True),
        sa.Column("high", sa.Float(), nullable=True),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_figures_run_id")),
        sa.PrimaryKeyConstraint("run_id", "figure", name=op.f("pk_figures")),
    )
    op.create_index("ix_figures_figure_value", "figures", ["figure", "value"], unique=False)
    op.create_table(
        "files",
        sa.Column("run_id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_files_run_id")),
        sa.PrimaryKeyConstraint("run_id", "name", name=op.f("pk_files")),
    )
    op.create_index(op.f("ix_files_sha256"), "files", ["sha256"], unique=False)
    op.create_table(
        "results",
        sa.Column("run_id", sa.String(length=64), nullable=False),
        sa.Column("code_version", sa.Text(), nullable=False),
        sa.Column("definitions_version", sa.Text(), nullable=False),
        sa.Column("limits_version", sa.Text(), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("first_cause", sa.String(length=60), nullable=True),
        sa.Column("first_probability", sa.Float(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("kept", sa.JSON(), nullable=True),
        sa.Column("computed", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_results_run_id")),
        sa.PrimaryKeyConstraint("run_id", name=op.f("pk_results")),
    )
    op.create_index(op.f("ix_results_verdict"), "results", ["verdict"], unique=False)


def downgrade() -> None:
    """Drop the tables."""
    op.drop_index(op.f("ix_results_verdict"), table_name="results")
    op.drop_table("results")
    op.drop_index(op.f("ix_files_sha256"), table_name="files")
    op.drop_table("files")
    op.drop_index("ix_figures_figure_value", table_name="figures")
    op.drop_table("figures")
    op.drop_index(op.f("ix_runs_vehicle"), table_name="runs")
    op.drop_index(op.f("ix_runs_purpose"), table_name="runs")
    op.drop_index(op.f("ix_runs_family"), table_name="runs")
    op.drop_table("runs")
    op.drop_table("store")
