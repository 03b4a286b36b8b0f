"""How the comb went behind the owner's brush at a visit, and whether a dog counts in the salon's anonymous totals."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table of checks; no dog counts before its owner has agreed."""
    op.create_table(
        "checks",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        *[sa.Column(name, sa.JSON(none_as_null=True), nullable=False) for name in ("passed", "stopped", "faults")],
        sa.Column("tool", sa.String(length=40), nullable=True),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("appointment_id", sa.String(length=32), nullable=True),
        sa.Column("photo_id", sa.String(length=32), nullable=True),
        sa.Column("checked_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_checks_dog_id")),
        sa.ForeignKeyConstraint(["appointment_id"], ["appointments.id"], name=op.f("fk_checks_appointment_id")),
        sa.ForeignKeyConstraint(["photo_id"], ["place_photos.id"], name=op.f("fk_checks_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checks")),
    )
    for name in ("dog_id", "appointment_id", "photo_id"):
        op.create_index(op.f(f"ix_checks_{name}"), "checks", [name], unique=False)
    op.add_column("dogs", sa.Column("counted_since", sa.DateTime(timezone=True), nullable=True))
