"""Who sees a dog, who sent it, and whether it was put away. What owners began by themselves is theirs alone."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; dogs that an owner's link began and no client was entered for are shown to nobody else."""
    for name, kind, default in (
        ("sharing", sa.String(length=10), "salon"),
        ("sent_by", sa.Text(), ""),
        ("sent_reach", sa.Text(), ""),
    ):
        op.add_column("dogs", sa.Column(name, kind, nullable=False, server_default=default))
    for name in ("sent_at", "put_away_at"):
        op.add_column("dogs", sa.Column(name, sa.DateTime(timezone=True), nullable=True))
    op.execute(
        "UPDATE dogs SET sharing = 'self' WHERE client_id IS NULL AND id IN"
        " (SELECT record_id FROM changes WHERE action = 'added' AND who = 'owner''s link')"
        " AND id NOT IN (SELECT dog_id FROM findings) AND id NOT IN (SELECT dog_id FROM appointments)"
    )
