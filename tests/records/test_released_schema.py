"""Databases that released versions wrote open in this one, with everything in them, and stay private."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from coatclass.records import (
    AnswerSheet,
    Appointment,
    Client,
    Dog,
    Finding,
    Measurement,
    User,
    backup,
    find_user,
    open_records,
    restore,
    schema_version,
    search_dogs,
)

RELEASED = sorted((Path(__file__).parent / "released").glob("*.sql"))


@pytest.mark.parametrize("dump", RELEASED, ids=lambda path: path.stem)
def test_a_database_of_a_released_version_opens_and_holds_what_it_held(tmp_path, dump):
    path = tmp_path / "records.sqlite"
    with closing(sqlite3.connect(path)) as old:
        old.executescript(dump.read_text("utf-8"))
    with open_records(f"sqlite:///{path}") as records:
        with records.engine.connect() as connection:
            assert connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == schema_version()
        [client] = records.find(Client)
        assert (client.name, client.remarks) == ("Ottoline Farrow", "rings twice")
        [fennel] = [found.dog for found in search_dogs(records, "fennel")]
        assert (fennel.client_id, fennel.weight_kg) == (client.id, 30.5)
        assert records.find(AnswerSheet)[0].content == {"feel": "silky", "trunk_length_mm": 40.0}
        assert records.find(Finding)[0].trunk_mm == 41.0
        assert len(records.find(Measurement)) == len(records.find(Appointment)) == 1
        assert not find_user(records, "ada").disabled  # a lock that an outsider could hold is none any more
        # What this version would refuse to take in stays readable.
        [odd] = [dog for dog in records.find(Dog) if dog.id != fennel.id]
        assert (odd.name, odd.born_on.year) == ("Two lines", 1)
        backup(records, tmp_path / "backup.zip")
    with open_records(f"sqlite:///{tmp_path / 'new' / 'records.sqlite'}") as records:
        restore(records, tmp_path / "backup.zip")
        assert len(records.find(Dog)) == 2 and len(records.find(User)) == 1


def test_the_schema_before_this_one_is_among_the_dumps():
    assert RELEASED[0].stem == "0001"
    assert len(RELEASED) >= int(schema_version()) - 1 or schema_version() == "0001"
