"""Text, days and clocks that break other programs: cleaned or refused where they come in."""

from __future__ import annotations

import unicodedata
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coatclass.errors import RecordError
from coatclass.plain_text import as_cell, one_line, paragraphs, printable, shown_path
from coatclass.records import AnswerSheet, Appointment, Client, Dog, Records, StoredAssessment, valid


def test_a_line_break_in_a_name_is_a_space_and_remarks_keep_theirs(records: Records) -> None:
    dog = records.add(Dog(name="Bram\r\nble\x00\x1b[31m", remarks="a\r\nb\x07\tc"), who="Ada")
    assert dog.name == "Bram  ble[31m"
    assert dog.remarks == "a\nb\tc"
    assert records.get(Dog, dog.id) == dog
    assert valid(Client, name="x\u202ey", phone="1\n2").name == "xy"


def test_no_text_becomes_a_formula_in_a_spreadsheet_and_numbers_stay_numbers() -> None:
    """The signs of OWASP's page on CSV injection, also behind spaces and in full width."""
    for text in (
        "=1+1",
        "+46 1",
        "-2",
        "@SUM(A1)",
        "\t=1",
        "\r=1",
        "\n=1",
        "  =1",
        "\u00a0=1",
        "\u3000\uff1d1",
        "\uff20x",
    ):
        assert as_cell(text) == f"'{text}"
    for plain in ("Bramble", "a=b", "", "'=1", -2, -2.5, None, True):
        assert as_cell(plain) is plain


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_clean_text_is_clean_and_stays_as_it_is(text: str) -> None:
    for clean in (one_line, paragraphs):
        once = clean(text)
        assert clean(once) == once
        allowed = "" if clean is one_line else "\n\t"
        assert all(c in allowed or unicodedata.category(c) != "Cc" for c in once)
    assert bool(one_line(text)) == bool(text)


@pytest.mark.parametrize("text", ["\ud800", "a\udfffb", "\udc80"])
def test_half_a_character_is_refused_where_it_would_be_kept_and_shown_where_it_is_said(text: str) -> None:
    for name in (text, f"Bramble {text}"):
        with pytest.raises(RecordError) as caught:
            valid(Dog, name=name)
        assert caught.value.code == "bad_value"
    printable(text).encode()
    shown_path(f"{text}\n.jpg").encode()


@pytest.mark.parametrize("day", [date.min, date(1899, 12, 31), date(2200, 1, 1), date.max])
def test_days_at_the_ends_of_the_calendar_are_refused(day: date) -> None:
    with pytest.raises(RecordError):
        valid(Dog, name="Bramble", born_on=day)
    with pytest.raises(RecordError):
        valid(Appointment, dog_id="0" * 32, starts_at=datetime(day.year, day.month, day.day, tzinfo=UTC))


def test_the_newest_answer_stays_the_newest_when_the_clock_is_put_back(records: Records, monkeypatch) -> None:
    dog = records.add(Dog(name="Bramble"), who="Ada")
    later = datetime.now(UTC) + timedelta(days=400)
    records.add(AnswerSheet(dog_id=dog.id, content={"feel": "soft"}, given_at=later), who="Ada")
    records.add(StoredAssessment(dog_id=dog.id, result={}, made_at=later), who="Ada")
    newest = records.add(AnswerSheet(dog_id=dog.id, content={"feel": "silky"}), who="Ada")
    told = records.add(StoredAssessment(dog_id=dog.id, result={"verdict": "settled"}), who="Ada")
    with records.read() as reader:
        assert reader.latest(AnswerSheet, dog.id) == newest
        assert reader.latest(AnswerSheet, dog.id).content == {"feel": "silky"}
        assert reader.latest(StoredAssessment, dog.id) == told


def test_counting_and_versions_come_from_the_database(records: Records) -> None:
    dog, other = (records.add(Dog(name=name), who="Ada") for name in ("Bramble", "Thistle"))
    with records.read() as reader:
        assert (reader.count(Dog), reader.count(Dog, name="Bramble"), reader.count(AnswerSheet)) == (2, 1, 0)
        before, others = reader.version(dog.id), reader.version(other.id)
    sheet = records.add(AnswerSheet(dog_id=dog.id, content={}), who="Ada")
    with records.read() as reader:
        assert reader.version(dog.id) > before
        assert reader.version(other.id) == others
        assert reader.get_of_dog(AnswerSheet, dog.id, sheet.id) == sheet
        with pytest.raises(RecordError) as caught:
            reader.get_of_dog(AnswerSheet, other.id, sheet.id)
        assert caught.value.code == "not_found"
