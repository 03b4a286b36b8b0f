"""How often visitors asked and tried to sign in, for servers that share one PostgreSQL."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table of counts; PostgreSQL writes no log of it, so that counting costs next to nothing."""
    unlogged = ["UNLOGGED"] if op.get_bind().dialect.name == "postgresql" else []
    op.create_table(
        "counts",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Float(precision=53), nullable=False),
        sa.Column("at", sa.Float(precision=53), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_counts")),
        prefixes=unlogged,
    )
