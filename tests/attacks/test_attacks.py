"""The attacks of ``python -m tests.attacks``, in small; nothing may get through."""

from __future__ import annotations

import pytest

from tests.attacks import access, archives, chain, floods, kills, pictures, uploads
from tests.attacks.serving import Serving

pytestmark = pytest.mark.slow


def faults(outcomes):
    return {outcome: number for outcome, number in outcomes.items() if "FAULT" in outcome}


@pytest.mark.parametrize("seed", [1, 2])
def test_five_hundred_malformed_pictures_end_in_a_picture_or_in_words(seed):
    outcomes = pictures.attack(500, seed)
    assert faults(outcomes) == {}
    assert sum(number for outcome, number in outcomes.items() if outcome.startswith("refused")) > 200


def test_nothing_comes_of_an_upload_or_a_name_but_a_picture_and_text(tmp_path):
    with Serving(tmp_path / "salon") as server:
        outcomes = uploads.attack(server)
    assert faults(outcomes) == {}
    assert outcomes["kept without what came with it"] >= 8 and outcomes["shown as text"] >= 5 * len(uploads.WORDS)


def test_nobody_comes_through_anybody_elses_door(tmp_path):
    with Serving(tmp_path / "salon") as server:
        outcomes = access.attack(server, rounds=1)
    assert faults(outcomes) == {}
    assert sum(outcomes.values()) > 200


def test_small_files_that_unpack_to_a_lot_harm_nobody(tmp_path):
    with Serving(tmp_path / "salon") as server:
        outcomes = archives.attack(server, tmp_path, longest_wait_s=60)  # other tests keep this machine busy
    assert faults(outcomes) == {}
    assert not list(tmp_path.rglob("*evil*"))


def test_floods_are_cut_off_and_guesses_slowed_down(tmp_path):
    with Serving(tmp_path / "salon", relaxed=False) as server:
        assert faults(floods.attack(server, connections=40)) == {}


def test_a_killed_server_keeps_what_it_confirmed(tmp_path):
    outcomes = kills.attack([Serving(tmp_path / "salon")], kills=2)
    assert faults(outcomes) == {}
    assert outcomes["confirmed writes"] > 10


def test_two_servers_on_one_store_keep_what_they_confirmed(tmp_path):
    outcomes = kills.attack([Serving(tmp_path / "salon"), Serving(tmp_path / "salon")], kills=2)
    assert faults(outcomes) == {}


def test_two_servers_on_one_postgresql_keep_what_they_confirmed(tmp_path, postgres):
    database = postgres()
    outcomes = kills.attack([Serving(tmp_path / "salon", database=database) for _ in range(2)], kills=2)
    assert faults(outcomes) == {}


def test_a_web_process_killed_or_hung_among_three_costs_no_owner_anything(tmp_path, postgres):
    with Serving(tmp_path / "salon", database=postgres(), workers=3) as server:
        outcomes = chain.attack(server, owners=12, kills=1) + chain.hang(server)
        assert server.client().get("/health/slow").json()["database"]
    assert faults(outcomes) == {}
    assert outcomes["confirmed writes"] == 12 * 5 + 4 * 3 and outcomes["own dog shown"] >= 12 * 2
    assert outcomes["killed, and another in its place"] == outcomes["hung, and another in its place"] == 1
