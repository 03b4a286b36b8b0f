"""The first schema."""

from uuid import uuid4

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table."""
    salon = op.create_table(
        "salon",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_salon")),
    )
    op.bulk_insert(salon, [{"id": uuid4().hex}])
    op.create_table(
        "changes",
        sa.Column("number", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("action", sa.String(length=10), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("record_id", sa.String(length=32), nullable=False),
        sa.Column("about", sa.String(length=32), nullable=False),
        sa.Column("before", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("after", sa.JSON(none_as_null=True), nullable=True),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_changes")),
    )
    op.create_index(op.f("ix_changes_record_id"), "changes", ["record_id"], unique=False)
    op.create_index(op.f("ix_changes_about"), "changes", ["about"], unique=False)
    op.create_table(
        "clients",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("phone", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sought", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clients")),
    )
    op.create_table(
        "users",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("disabled", sa.Boolean(), nullable=False),
        sa.Column("failed_sign_ins", sa.Integer(), nullable=False),
        sa.Column("locked_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sought", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_users")),
        sa.UniqueConstraint("sought", name=op.f("uq_users_sought")),
    )
    op.create_table(
        "dogs",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("client_id", sa.String(length=32), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("breed", sa.Text(), nullable=False),
        sa.Column("sex", sa.String(length=6), nullable=True),
        sa.Column("born_on", sa.Date(), nullable=True),
        sa.Column("weight_kg", sa.Float(), nullable=True),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sought", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["client_id"], ["clients.id"], name=op.f("fk_dogs_client_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dogs")),
    )
    op.create_index(op.f("ix_dogs_client_id"), "dogs", ["client_id"], unique=False)
    op.create_table(
        "sessions",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("user_id", sa.String(length=32), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name=op.f("fk_sessions_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_sessions_token_hash")),
    )
    op.create_index(op.f("ix_sessions_user_id"), "sessions", ["user_id"], unique=False)
    op.create_table(
        "answers",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("content", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_answers_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answers")),
    )
    op.create_index(op.f("ix_answers_dog_id"), "answers", ["dog_id"], unique=False)
    op.create_table(
        "appointments",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("starts_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("minutes", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_appointments_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_appointments")),
    )
    op.create_index(op.f("ix_appointments_dog_id"), "appointments", ["dog_id"], unique=False)
    op.create_index(op.f("ix_appointments_starts_at"), "appointments", ["starts_at"], unique=False)
    op.create_table(
        "links",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_links_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_links")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_links_token_hash")),
    )
    op.create_index(op.f("ix_links_dog_id"), "links", ["dog_id"], unique=False)
    op.create_table(
        "measurements",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("length_mm", sa.Float(), nullable=False),
        sa.Column("measured_on", sa.Date(), nullable=False),
        sa.Column("zone", sa.String(length=20), nullable=False),
        sa.Column("how", sa.String(length=10), nullable=False),
        sa.Column("error_mm", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_measurements_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurements")),
    )
    op.create_index(op.f("ix_measurements_dog_id"), "measurements", ["dog_id"], unique=False)
    op.create_table(
        "photos",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("taken_on", sa.Date(), nullable=True),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_photos_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
    )
    op.create_index(op.f("ix_photos_dog_id"), "photos", ["dog_id"], unique=False)
    op.create_index(op.f("ix_photos_sha256"), "photos", ["sha256"], unique=False)
    op.create_table(
        "assessments",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("result", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("evidence", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("answers_id", sa.String(length=32), nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("verdict", sa.String(length=40), nullable=False),
        sa.Column("doubt", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["answers_id"], ["answers.id"], name=op.f("fk_assessments_answers_id")),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_assessments_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assessments")),
    )
    op.create_index(op.f("ix_assessments_answers_id"), "assessments", ["answers_id"], unique=False)
    op.create_index(op.f("ix_assessments_dog_id"), "assessments", ["dog_id"], unique=False)
    op.create_index("ix_assessments_dog_made", "assessments", ["dog_id", "made_at"], unique=False)
    op.create_table(
        "findings",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("category", sa.String(length=20), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("lengths_mm", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("undercoat", sa.String(length=20), nullable=True),
        sa.Column("texture", sa.String(length=20), nullable=True),
        sa.Column("mats", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("patience", sa.String(length=20), nullable=True),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("assessment_id", sa.String(length=32), nullable=True),
        sa.Column("found_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessments.id"], name=op.f("fk_findings_assessment_id")),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_findings_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
    )
    op.create_index(op.f("ix_findings_assessment_id"), "findings", ["assessment_id"], unique=False)
    op.create_index("ix_findings_dog_found", "findings", ["dog_id", "found_at"], unique=False)
    op.create_index(op.f("ix_findings_dog_id"), "findings", ["dog_id"], unique=False)
