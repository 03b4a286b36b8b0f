"""What lies on the disk is for nobody else on the machine."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from coatclass.records import Dog, backup, export_salon, open_records

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights of files are a thing of POSIX systems")


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("umask", [0o022, 0o000])
def test_files_that_are_there_already_are_shut_too(tmp_path, picture, umask):
    folder = tmp_path / "salon"
    folder.mkdir(mode=0o755)
    folder.chmod(0o755)
    (folder / "records.sqlite").touch(mode=0o644)
    (folder / "records.sqlite").chmod(0o644)
    before = os.umask(umask)
    try:
        with open_records(f"sqlite:///{folder / 'records.sqlite'}") as records:
            dog = records.add(Dog(name="Bramble"), who="Ada")
            records.add_photo(dog.id, picture("tan"), who="Ada")
            backup(records, folder / "backup.zip")
            export_salon(records, folder / "export.zip")
            for path in (folder, *folder.rglob("*")):
                assert mode(path) == (0o700 if path.is_dir() else 0o600), path
            assert (folder / "records.sqlite-wal").exists()
    finally:
        os.umask(before)


def test_a_folder_that_holds_other_things_keeps_its_rights(tmp_path):
    folder = tmp_path / "home"
    folder.mkdir()
    folder.chmod(0o755)
    (folder / "letter.txt").touch(mode=0o644)
    (folder / "letter.txt").chmod(0o644)
    with open_records(f"sqlite:///{folder / 'records.sqlite'}"):
        assert mode(folder) == 0o755
        assert mode(folder / "letter.txt") == 0o644
        assert mode(folder / "records.sqlite") == 0o600
