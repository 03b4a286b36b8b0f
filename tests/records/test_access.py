"""Who may come in, and for how long."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from coatclass.errors import RecordError
from coatclass.records import (
    Dog,
    Link,
    Records,
    Session,
    User,
    UserRole,
    add_user,
    end_all_sessions,
    end_session,
    find_user,
    linked_dog,
    make_link,
    password_matches,
    revoke_links,
    session_user,
    set_disabled,
    set_password,
    start_session,
)

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def ada(records: Records) -> User:
    return records.add(User(name="Ada", role=UserRole.GROOMER, password_hash="hash"), who="setup")


def test_a_user_is_found_without_regard_to_case_and_is_one(records: Records, ada: User) -> None:
    assert find_user(records, "aDA") == ada
    assert find_user(records, "Grace") is None
    with pytest.raises(RecordError) as caught:
        records.add(User(name="ADA", role=UserRole.RESEARCHER, password_hash="x"), who="setup")
    assert caught.value.code == "conflict"


def test_a_session_lasts_until_it_expires(records: Records, ada: User) -> None:
    token = start_session(records, ada, valid_for=8 * HOUR, at=NOON)
    assert session_user(records, token, at=NOON + 7 * HOUR) == ada
    assert session_user(records, token, at=NOON + 8 * HOUR) is None
    assert session_user(records, token + "x", at=NOON) is None
    assert session_user(records, "", at=NOON) is None


def test_tokens_are_long_all_different_and_kept_nowhere(records: Records, ada: User) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    tokens = {start_session(records, ada, valid_for=HOUR) for _ in range(5)}
    tokens |= {make_link(records, dog.id, valid_for=HOUR, who="Ada") for _ in range(5)}
    assert len(tokens) == 10 and all(len(token) >= 43 for token in tokens)  # 256 bits in base 64
    kept = str(records.find(Session)) + str(records.find(Link)) + str(records.trail())
    assert not any(token in kept for token in tokens)
    hashes = [one.token_hash for one in (*records.find(Session), *records.find(Link))]
    assert not any(one in kept for one in hashes)  # not even hashes in what is printed or trailed


def test_signing_out_ends_one_session_or_all(records: Records, ada: User) -> None:
    tablet, phone, desk = (start_session(records, ada, valid_for=HOUR) for _ in range(3))
    end_session(records, tablet)
    assert session_user(records, tablet) is None and session_user(records, phone) == ada
    end_all_sessions(records, ada, who="Ada")
    assert session_user(records, phone) is None and session_user(records, desk) is None


def test_a_disabled_user_is_out_at_once(records: Records, ada: User) -> None:
    token = start_session(records, ada, valid_for=HOUR)
    records.change(ada, who="setup", disabled=True)
    assert session_user(records, token) is None
    with pytest.raises(RecordError) as caught:
        start_session(records, ada, valid_for=HOUR)
    assert caught.value.code == "disabled"


def test_a_new_password_ends_all_sessions_and_a_disabled_user_may_be_let_in_again(records: Records) -> None:
    ada = add_user(records, "Ada", "four wet terriers", UserRole.GROOMER)
    token = start_session(records, ada, valid_for=HOUR)
    ada = set_password(records, ada, "five dry terriers", who="setup")
    assert session_user(records, token) is None
    assert password_matches("five dry terriers", ada) and not password_matches("four wet terriers", ada)
    token = start_session(records, ada, valid_for=HOUR)
    ada = set_disabled(records, ada, True, who="setup")
    assert session_user(records, token) is None and not records.find(Session)
    ada = set_disabled(records, ada, False, who="setup")
    assert session_user(records, token) is None
    assert session_user(records, start_session(records, ada, valid_for=HOUR)) == ada


def test_an_owners_link_shows_one_dog_until_it_expires(records: Records) -> None:
    hers, other = (records.add(Dog(name=name), who="Ada") for name in ("Bramble", "Thistle"))
    token = make_link(records, hers.id, valid_for=30 * 24 * HOUR, who="Ada", at=NOON)
    assert linked_dog(records, token, at=NOON + HOUR) == hers
    assert linked_dog(records, token, at=NOON + 30 * 24 * HOUR) is None
    assert linked_dog(records, other.id, at=NOON) is None  # an id is no token
    assert revoke_links(records, hers.id, who="Ada") == 1
    assert linked_dog(records, token, at=NOON + HOUR) is None


def test_no_link_to_a_dog_that_is_not_there(records: Records) -> None:
    with pytest.raises(RecordError) as caught:
        make_link(records, "0" * 32, valid_for=HOUR, who="Ada")
    assert caught.value.code == "not_found"


def test_expired_tokens_are_cleared_away(records: Records, ada: User) -> None:
    start_session(records, ada, valid_for=HOUR, at=NOON)
    start_session(records, ada, valid_for=HOUR, at=NOON + 2 * HOUR)
    assert len(records.find(Session)) == 1
