"""What was found at the table and signed, photos of places, the salon's settings, and how long a visit really took.

The database itself refuses to change or remove what was signed; only while a whole dog is erased it may go.
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables and columns, and the triggers that guard what was signed."""
    op.create_table(
        "settings",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("content", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_settings")),
    )
    op.create_table(
        "intakes",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("appointment_id", sa.String(length=32), nullable=True),
        sa.Column("replaces_id", sa.String(length=32), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_intakes_dog_id")),
        sa.ForeignKeyConstraint(["appointment_id"], ["appointments.id"], name=op.f("fk_intakes_appointment_id")),
        sa.ForeignKeyConstraint(["replaces_id"], ["intakes.id"], name=op.f("fk_intakes_replaces_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_intakes")),
    )
    for name in ("dog_id", "appointment_id", "replaces_id"):
        op.create_index(op.f(f"ix_intakes_{name}"), "intakes", [name], unique=False)
    op.create_table(
        "place_photos",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.Column("intake_id", sa.String(length=32), nullable=True),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dogs.id"], name=op.f("fk_place_photos_dog_id")),
        sa.ForeignKeyConstraint(["intake_id"], ["intakes.id"], name=op.f("fk_place_photos_intake_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_place_photos")),
    )
    for name in ("dog_id", "intake_id", "sha256"):
        op.create_index(op.f(f"ix_place_photos_{name}"), "place_photos", [name], unique=False)
    op.create_table(
        "erasing",
        sa.Column("dog_id", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("dog_id", name=op.f("pk_erasing")),
    )
    op.add_column("appointments", sa.Column("took_minutes", sa.Integer(), nullable=True))
    op.add_column("appointments", sa.Column("work", sa.Text(), nullable=False, server_default=""))
    for table, signed, kept in _GUARDED:
        _guard(table, signed, kept)


# Table, what marks a row as signed, and what must stay; to another dog's record it may move when two are joined.
_GUARDED = (
    ("intakes", "OLD.signed_at IS NOT NULL", ("id", "version", "content", "sha256", "signed_at")),
    ("place_photos", "OLD.intake_id IS NOT NULL", ("id", "intake_id", "place", "sha256")),
)


def _guard(table: str, signed: str, kept: tuple[str, ...]) -> None:
    changed = " OR ".join(f"OLD.{name} <> NEW.{name} OR NEW.{name} IS NULL" for name in kept)
    erasing = "EXISTS (SELECT 1 FROM erasing WHERE erasing.dog_id = OLD.dog_id)"
    rules = (("update", f"{signed} AND ({changed})"), ("delete", f"{signed} AND NOT {erasing}"))
    for event, forbidden in rules:
        name, message = f"{table}_no_{event}", f"what was signed can not be {event}d"
        if op.get_bind().dialect.name == "sqlite":
            op.execute(
                f"CREATE TRIGGER {name} BEFORE {event.upper()} ON {table} WHEN {forbidden} "
                f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
            )
            continue
        back = "OLD" if event == "delete" else "NEW"
        op.execute(
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN IF {forbidden} THEN "
            f"RAISE EXCEPTION '{message}' USING ERRCODE = 'integrity_constraint_violation'; END IF; "
            f"RETURN {back}; END $$"
        )
        op.execute(f"CREATE TRIGGER {name} BEFORE {event.upper()} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()")
