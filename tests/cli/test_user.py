"""People are made known on the command line; a password is typed twice and shown nowhere."""

from __future__ import annotations

import subprocess
import sys
from datetime import timedelta

import pytest

from coatclass.records import UserRole, find_user, open_records, password_matches, start_session


def add(folder, typed, name="Ada", role="groomer"):
    command = ["-m", "coatclass", "user", "--database", f"sqlite:///{folder / 'r.sqlite'}", "add", name, "--role", role]
    return subprocess.run([sys.executable, *command], input=typed, capture_output=True, text=True, check=False)


def test_somebody_added_may_sign_in_with_the_typed_password_and_no_other(tmp_path):
    done = add(tmp_path, "four wet terriers\nfour wet terriers\n", role="researcher")
    assert done.returncode == 0
    assert "terriers" not in done.stdout + done.stderr
    with open_records(f"sqlite:///{tmp_path / 'r.sqlite'}") as salon:
        ada = find_user(salon, "ada")
        assert ada.role is UserRole.RESEARCHER
        assert password_matches("four wet terriers", ada)
        assert not password_matches("four wet terrier", ada)
        assert not password_matches("nobody", None)


@pytest.mark.parametrize(
    ("typed", "said"),
    [("four wet terriers\nfour dry terriers\n", "differently"), ("short\nshort\n", "fewer than 10"), ("\n\n", "fewer")],
)
def test_a_password_typed_differently_or_too_short_is_refused_in_words(tmp_path, typed, said):
    refused = add(tmp_path, typed)
    assert refused.returncode == 3
    assert said in refused.stderr
    assert "Traceback" not in refused.stderr


def user(folder, *arguments, typed=""):
    command = [sys.executable, "-m", "coatclass", "user", "--database", f"sqlite:///{folder / 'r.sqlite'}", *arguments]
    return subprocess.run(command, input=typed, capture_output=True, text=True, check=False)


def test_people_are_listed_given_new_passwords_shut_out_and_let_in_again(tmp_path):
    add(tmp_path, "four wet terriers\n" * 2)
    with open_records(f"sqlite:///{tmp_path / 'r.sqlite'}") as salon:
        for _ in range(2):
            start_session(salon, find_user(salon, "Ada"), valid_for=timedelta(hours=1))
    assert "may sign in" in user(tmp_path, "list").stdout
    assert user(tmp_path, "sessions", "ada").stdout.count("since") == 2
    assert "2 browsers" in user(tmp_path, "sessions", "ada", "--end").stdout
    assert "nowhere" in user(tmp_path, "sessions", "ada").stdout
    assert user(tmp_path, "password", "ada", typed="five dry terriers\n" * 2).returncode == 0
    assert user(tmp_path, "disable", "ada").returncode == 0
    assert "disabled" in user(tmp_path, "list").stdout
    with open_records(f"sqlite:///{tmp_path / 'r.sqlite'}") as salon:
        ada = find_user(salon, "ada")
        assert ada.disabled and password_matches("five dry terriers", ada)
    assert user(tmp_path, "unlock", "ada").returncode == 0
    assert "disabled" not in user(tmp_path, "list").stdout
    unknown = user(tmp_path, "disable", "Nobody")
    assert unknown.returncode == 3 and "coatclass user list" in unknown.stderr


def test_a_name_is_given_once(tmp_path):
    assert add(tmp_path, "four wet terriers\n" * 2).returncode == 0
    again = add(tmp_path, "another password\n" * 2, name="ADA")
    assert again.returncode == 3
    assert "is taken" in again.stderr
