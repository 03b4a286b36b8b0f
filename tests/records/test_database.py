"""Opening: schema made, checked and migrated; what can't be opened is said in words."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import inspect, text

from coatclass.errors import RecordError
from coatclass.records import Dog, Records, open_records, schema_version
from coatclass.records.tables import metadata


def test_the_migrations_make_exactly_the_tables_of_the_program(records: Records) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    with records.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_opening_again_changes_nothing(place) -> None:
    dog = place.open().add(Dog(name="Bramble"), who="Ada")
    assert place.open().get(Dog, dog.id) == dog


def test_two_programs_open_a_new_database_at_once(place) -> None:
    failed: list[BaseException] = []

    def try_to_open() -> None:
        try:
            place.open()
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=try_to_open) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []


def test_records_of_a_newer_program_are_left_alone(place) -> None:
    records = place.open()
    dog = records.add(Dog(name="Bramble"), who="Ada")
    with records.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RecordError) as caught:
        place.open()
    assert caught.value.code == "newer_schema" and "Update coatclass" in caught.value.next_step
    with records.engine.begin() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "9999"
    assert records.get(Dog, dog.id) == dog


def test_a_database_of_another_program_is_left_alone(place) -> None:
    from coatclass.records.database import connect, parse_url

    engine = connect(parse_url(place.url))
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE invoices (number INTEGER)"))
    with pytest.raises(RecordError) as caught:
        place.open()
    assert caught.value.code == "foreign_database"
    assert inspect(engine).get_table_names() == ["invoices"]
    engine.dispose()


def test_an_older_sqlite_file_is_copied_before_it_is_migrated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second migration, made up here, stands for the next version of the program."""
    import shutil

    from coatclass.records import database

    url = f"sqlite:///{tmp_path / 'salon.sqlite'}"
    with open_records(url) as records:
        dog = records.add(Dog(name="Bramble"), who="Ada")
    scripts = tmp_path / "migrations"
    shutil.copytree(database._MIGRATIONS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    (scripts / "versions" / "9999_next.py").write_text(
        f"from alembic import op\nimport sqlalchemy as sa\nrevision = '9999'\ndown_revision = '{schema_version()}'\n"
        "def upgrade():\n    op.add_column('dogs', sa.Column('chip', sa.Text()))\n"
    )
    monkeypatch.setattr(database, "_MIGRATIONS", scripts)
    with open_records(url) as records:
        assert records.get(Dog, dog.id) == dog
        assert "chip" in {column["name"] for column in inspect(records.engine).get_columns("dogs")}
    (copy,) = tmp_path.glob("salon.before-migration-from-*.sqlite")
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT name FROM dogs").fetchall() == [("Bramble",)]
        assert "chip" not in [row[1] for row in connection.execute("PRAGMA table_info(dogs)")]


def test_a_migration_that_fails_leaves_the_old_schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import shutil

    from coatclass.records import database

    url = f"sqlite:///{tmp_path / 'salon.sqlite'}"
    with open_records(url) as records:
        dog = records.add(Dog(name="Bramble"), who="Ada")
    scripts = tmp_path / "migrations"
    shutil.copytree(database._MIGRATIONS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    broken = scripts / "versions" / "9999_broken.py"
    broken.write_text(
        f"from alembic import op\nimport sqlalchemy as sa\nrevision = '9999'\ndown_revision = '{schema_version()}'\n"
        "def upgrade():\n    op.add_column('dogs', sa.Column('chip', sa.Text()))\n    op.execute('SELECT nonsense')\n"
    )
    with monkeypatch.context() as patched:
        patched.setattr(database, "_MIGRATIONS", scripts)
        with pytest.raises(RecordError):
            open_records(url)
    with open_records(url) as records:
        assert records.get(Dog, dog.id) == dog
        assert "chip" not in {column["name"] for column in inspect(records.engine).get_columns("dogs")}


@pytest.mark.parametrize(
    ("url", "code"),
    [
        ("nonsense", "bad_url"),
        ("mysql://localhost/salon", "bad_url"),
        ("sqlite://", "bad_url"),
        ("sqlite:///:memory:", "bad_url"),
        ("postgresql://nobody@127.0.0.1:1/none?connect_timeout=2", "unavailable"),
    ],
)
def test_an_address_that_leads_nowhere_is_said(url: str, code: str, tmp_path: Path) -> None:
    with pytest.raises(RecordError) as caught:
        open_records(url, photo_folder=tmp_path / "photos")
    assert caught.value.code == code


def test_a_file_that_is_no_database_is_said(tmp_path: Path) -> None:
    path = tmp_path / "salon.sqlite"
    path.write_text("Dear groomer, " * 100)
    with pytest.raises(RecordError) as caught:
        open_records(f"sqlite:///{path}")
    assert caught.value.code == "unavailable"
    assert path.read_text().startswith("Dear groomer")


def test_sqlite_keeps_a_log_and_confirms_only_what_is_on_the_disk(tmp_path: Path) -> None:
    with open_records(f"sqlite:///{tmp_path / 'salon.sqlite'}") as records, records.engine.connect() as connection:
        asked = {name: connection.execute(text(f"PRAGMA {name}")).scalar() for name in
                 ("journal_mode", "synchronous", "foreign_keys", "secure_delete")}  # fmt: skip
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1}


def test_without_the_extra_a_friendly_line_says_what_to_install() -> None:
    program = (
        "import sys; sys.modules['sqlalchemy'] = None\n"
        "import importlib.util as u; find = u.find_spec\n"
        "u.find_spec = lambda name, *rest: None if name == 'sqlalchemy' else find(name, *rest)\n"
        "from coatclass.errors import MissingExtraError\n"
        "try:\n    import coatclass.records\n"
        "except MissingExtraError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert "pip install" in done.stdout and "[records]" in done.stdout
