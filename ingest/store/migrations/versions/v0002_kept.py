"""Which store it is; what good cars are kept for; random parts; names of any length."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_VERSIONS = {"code_version": 60, "definitions_version": 60, "limits_version": 120}


def upgrade() -> None:
    """Add table and columns; results from before lack them and count as out of date."""
    op.create_table(
        "store",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_store")),
    )
    with op.batch_alter_table("figures") as table:
        table.add_column(sa.Column("random", sa.Float(), nullable=True))
    with op.batch_alter_table("results") as table:
        table.add_column(sa.Column("kept", sa.JSON(), nullable=True))
        for name, length in _VERSIONS.items():
            table.alter_column(name, existing_type=sa.String(length), type_=sa.Text())
    with op.batch_alter_table("files") as table:
        table.alter_column("name", existing_type=sa.String(512), type_=sa.Text())


def downgrade() -> None:
    """Take the columns away again."""
    with op.batch_alter_table("files") as table:
        table.alter_column("name", existing_type=sa.Text(), type_=sa.String(512))
    with op.batch_alter_table("results") as table:
        table.drop_column("kept")
        for name, length in _VERSIONS.items():
            table.alter_column(name, existing_type=sa.Text(), type_=sa.String(length))
    with op.batch_alter_table("figures") as table:
        table.drop_column("random")
    op.drop_table("store")
