"""People are made known on the command line; a password is typed twice and shown nowhere."""

from __future__ import annotations

import io
import subprocess
import sys
from datetime import timedelta

import pytest

from coatclass.cli import main
from coatclass.records import UserRole, find_user, open_records, password_matches, start_session


def command(folder, *arguments):
    return ["user", "--database", f"sqlite:///{folder / 'r.sqlite'}", *arguments]


@pytest.fixture
def user(tmp_path, monkeypatch, capsys):
    """The command, typed after; what it ended as."""

    def run(*arguments, typed=""):
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        code = main(command(tmp_path, *arguments))
        said = capsys.readouterr()
        return subprocess.CompletedProcess(arguments, code, said.out, said.err)

    return run


@pytest.fixture
def add(user):
    return lambda typed, name="Ada": user("add", name, "--role", "groomer", typed=typed)


def test_somebody_added_may_sign_in_with_the_typed_password_and_no_other(tmp_path):
    """In a process of its own, with a pipe to type into."""
    typed = "four wet terriers\nfour wet terriers\n"
    run = [sys.executable, "-m", "coatclass", *command(tmp_path, "add", "Ada", "--role", "researcher")]
    done = subprocess.run(run, input=typed, capture_output=True, text=True, check=False)
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
def test_a_password_typed_differently_or_too_short_is_refused_in_words(add, typed, said):
    refused = add(typed)
    assert refused.returncode == 3
    assert said in refused.stderr
    assert "Traceback" not in refused.stderr


def test_people_are_listed_given_new_passwords_shut_out_and_let_in_again(tmp_path, user, add):
    add("four wet terriers\n" * 2)
    with open_records(f"sqlite:///{tmp_path / 'r.sqlite'}") as salon:
        for _ in range(2):
            start_session(salon, find_user(salon, "Ada"), valid_for=timedelta(hours=1))
    assert "may sign in" in user("list").stdout
    assert user("sessions", "ada").stdout.count("since") == 2
    assert "2 browsers" in user("sessions", "ada", "--end").stdout
    assert "nowhere" in user("sessions", "ada").stdout
    assert user("password", "ada", typed="five dry terriers\n" * 2).returncode == 0
    assert user("disable", "ada").returncode == 0
    assert "disabled" in user("list").stdout
    with open_records(f"sqlite:///{tmp_path / 'r.sqlite'}") as salon:
        ada = find_user(salon, "ada")
        assert ada.disabled and password_matches("five dry terriers", ada)
    assert user("unlock", "ada").returncode == 0
    assert "disabled" not in user("list").stdout
    unknown = user("disable", "Nobody")
    assert unknown.returncode == 3 and "coatclass user list" in unknown.stderr


def test_a_name_is_given_once(add):
    assert add("four wet terriers\n" * 2).returncode == 0
    again = add("another password\n" * 2, name="ADA")
    assert again.returncode == 3
    assert "is taken" in again.stderr
