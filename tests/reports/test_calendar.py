"""The calendar file: read back by a second library, right about hours and days, and updating instead of doubling."""

from __future__ import annotations

import dataclasses
import io
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import care_dogs as dogs
import pytest
import vobject
from dateutil.tz import tzical
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass import planning, reports
from coatclass.errors import InputError
from coatclass.presentation import present
from coatclass.taxonomy import BodyZone, MatState, Patience, Texture
from coatclass.words import LANGUAGES

TODAY = date(2026, 3, 2)
STAMP = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
YOUNG = dogs.situation(
    measured_mm=22.0,
    weight_kg=8.0,
    age_months=7.0,
    minutes_per_week=90.0,
    wished_length_mm=40.0,
    wears_harness=True,
    textures=frozenset({Texture.COTTONY}),
)


def export(situation=YOUNG, today=TODAY, language="en", dog_name="Flöckchen", **options):
    plan = planning.plan(situation, kit=dogs.CURLY_KIT, today=today, language=language)
    shown = present(plan, dog_name=dog_name)
    return reports.calendar_ics(shown, **({"dog_id": "dog-1", "stamp": STAMP} | options))


def entries(ics):
    """Entries by title, read by the second library."""
    calendar = vobject.readOne(ics.decode("utf-8"))
    return {entry.summary.value: entry for entry in calendar.vevent_list}


def by_uid(ics):
    calendar = vobject.readOne(ics.decode("utf-8"))
    return {entry.uid.value: entry for entry in calendar.vevent_list}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("timezone", [None, "Europe/Vienna", "America/New_York"])
def test_a_second_library_reads_the_calendar_and_finds_it_valid(language, timezone):
    calendar = vobject.readOne(export(language=language, timezone=timezone).decode("utf-8"))
    assert calendar.validate(raiseException=True)
    assert calendar.version.value == "2.0"
    assert len(calendar.vevent_list) >= 8


def test_lines_end_in_crlf_and_fold_at_75_octets():
    # RFC 5545, 3.1: lines end in CRLF and should not be longer than 75 octets, excluding the line break.
    raw = export(dog_name="Überlängenöhrchen von der Mühlenwiese " * 4, language="de")
    assert raw.endswith(b"\r\n") and b"\n" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75


@settings(max_examples=25, deadline=None)
@given(st.text(max_size=60))
def test_any_name_survives_the_way_through_the_file(name):
    kept = "".join(c for c in name if c.isprintable())
    found = entries(export(dog_name=kept))
    assert f"Bath day: {kept or 'your dog'}" in found


def test_every_entry_has_uid_stamp_sequence_and_start():
    # RFC 5545, 3.6.1: UID and DTSTAMP are required; DTSTART is, in a file with recurring entries.
    for entry in by_uid(export()).values():
        assert entry.uid.value and entry.dtstart.value and entry.sequence.value == "0"
        assert entry.dtstamp.value == STAMP


def test_hours_float_unless_a_time_zone_is_named():
    assert b"DTSTART:20260304T190000\r\n" in export()
    assert b"VTIMEZONE" not in export()


def test_a_named_time_zone_travels_with_the_file_and_keeps_the_hour_through_summer_time():
    ics = export(timezone="Europe/Vienna")
    assert b"BEGIN:VTIMEZONE" in ics and b"DTSTART;TZID=Europe/Vienna:20260304T190000" in ics
    rule = entries(ics)["Brush and comb Flöckchen"].getrruleset(addRDate=False)
    first_weeks = [moment for moment, _ in zip(rule, range(16), strict=False)]
    assert {moment.hour for moment in first_weeks} == {19}
    offsets = {moment.utcoffset() for moment in first_weeks}
    assert offsets == {timedelta(hours=1), timedelta(hours=2)}  # Austria changes its clocks on 29 March 2026


@pytest.mark.parametrize(
    "name",
    [
        "Europe/Vienna", "Europe/London", "America/New_York", "America/St_Johns", "Australia/Sydney", "Asia/Tokyo",
        "America/Santiago", "Africa/Casablanca", "UTC",
    ],
)  # fmt: skip
def test_the_time_zone_in_the_file_tells_the_same_hours_as_the_zone_database(name):
    # The zone as read by a second library (dateutil) against the IANA time zone database, for two years.
    text = export(timezone=name).decode("utf-8").replace("\r\n ", "").replace("\r\n", "\n")
    read = tzical(io.StringIO(text)).get(name)
    zone = ZoneInfo(name)
    for n in range(0, 730, 9):
        moment = datetime(2026, 1, 1, 19, 0) + timedelta(days=n)
        assert moment.replace(tzinfo=read).utcoffset() == moment.replace(tzinfo=zone).utcoffset(), moment


def test_days_are_whole_days_without_hour_or_zone():
    bath = entries(export(timezone="Europe/Vienna"))["Bath day: Flöckchen"]
    assert bath.dtstart.value == date(2026, 3, 7) and bath.dtend.value == date(2026, 3, 8)
    assert not isinstance(bath.dtstart.value, datetime)


def test_each_series_begins_on_one_of_its_own_days():
    for entry in by_uid(export()).values():
        if hasattr(entry, "rrule"):
            days = entry.rrule.value.split("BYDAY=")[1].split(";")[0].split(",")
            assert ("MO", "TU", "WE", "TH", "FR", "SA", "SU")[entry.dtstart.value.weekday()] in days


def test_a_second_export_updates_and_does_not_double():
    first = export()
    second = export(today=TODAY + timedelta(days=9), previous=first, stamp=STAMP + timedelta(days=9))
    old, new = by_uid(first), by_uid(second)
    assert set(old) <= set(new)
    moved = [uid for uid in old if old[uid].dtstart.value != new[uid].dtstart.value]
    assert moved and all(new[uid].sequence.value == "1" for uid in moved)


def test_what_did_not_change_keeps_its_sequence():
    first = export()
    again = export(previous=first, stamp=STAMP + timedelta(hours=1))
    assert {entry.sequence.value for entry in by_uid(again).values()} == {"0"}


def test_what_fell_away_is_cancelled_once():
    first = export()
    grown = dataclasses.replace(YOUNG, age_months=30.0)
    second = export(grown, previous=first)
    gone = {uid: entry for uid, entry in by_uid(second).items() if hasattr(entry, "status")}
    assert len(gone) == 4 and all(entry.status.value == "CANCELLED" for entry in gone.values())
    third = by_uid(export(grown, previous=second))
    assert all(third[uid].sequence.value == gone[uid].sequence.value for uid in gone)


def test_two_dogs_never_share_an_entry():
    assert not set(by_uid(export())) & set(by_uid(export(dog_id="dog-2")))


def test_a_matted_dog_gets_no_bath_day_and_a_dog_on_hold_no_sessions():
    matted = dataclasses.replace(YOUNG, mats={BodyZone.TAIL: MatState.MATS})
    assert not any("Bath" in title for title in entries(export(matted)))
    sore = dataclasses.replace(YOUNG, skin_trouble=frozenset({"sores"}))
    titles = entries(export(sore))
    assert not any("Brush" in title or "Bath" in title for title in titles)
    assert any("to the vet" in title for title in titles)


def test_the_kit_change_after_a_trim_is_not_announced():
    titles = entries(export())
    assert any("25 mm" in title for title in titles) and not any("75 mm" in title for title in titles)


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"timezone": "Mars/Olympus"}, "timezone"),
        ({"timezone": "../etc/passwd"}, "timezone"),
        ({"stamp": datetime(2026, 3, 2)}, "stamp"),
        ({"previous": b"not a calendar"}, "previous"),
    ],
)
def test_what_cannot_be_used_is_refused_in_plain_words(options, code):
    with pytest.raises(InputError) as refusal:
        export(**options)
    assert refusal.value.code == code


@settings(max_examples=20, deadline=None)
@given(dogs.situations, dogs.kits, st.sampled_from(LANGUAGES))
def test_every_plan_makes_a_calendar_that_a_second_library_reads(situation, kit, language):
    plan = planning.plan(situation, kit=kit, today=TODAY, language=language)
    ics = reports.calendar_ics(present(plan), dog_id="any", stamp=STAMP)
    if plan.events:
        assert vobject.readOne(ics.decode("utf-8")).validate(raiseException=True)


def test_nobody_is_told_minutes_that_nobody_knows():
    found = entries(export(dataclasses.replace(YOUNG, weight_kg=None)))
    assert "inute" not in found["Brush and comb Flöckchen"].description.value


def test_training_stands_in_the_calendar_day_by_day_until_it_ends():
    # RFC 5545, 3.3.10: FREQ=DAILY with COUNT; read back and unrolled by a second library (vobject with dateutil).
    biter = dataclasses.replace(YOUNG, patience=Patience.CANNOT_BEAR, age_months=30.0)
    plan = planning.plan(biter, today=TODAY)
    steps = plan.now.training
    found = [entry for entry in by_uid(export(biter)).values() if "Training" in entry.summary.value]
    days = sorted(moment.date() for entry in found for moment in entry.getrruleset(addRDate=False))
    assert days == [TODAY + timedelta(days=n) for n in range(sum(step.days for step in steps))]
    assert 14 <= len(days) <= 42  # two to six weeks: common practice, no source
    first = min(found, key=lambda entry: entry.dtstart.value)
    assert steps[0].do in first.description.value and steps[0].go_on_when in first.description.value
    assert "Stop for today when" in first.description.value and "vet" in first.description.value
    assert first.duration.value <= timedelta(minutes=10)


def test_a_pup_trains_for_two_weeks_beside_its_rounds_and_a_sore_dog_not_at_all():
    pup = dataclasses.replace(YOUNG, age_months=4.0)
    plan = planning.plan(pup, today=TODAY)
    assert plan.now.week is not None and not plan.now.trains_first
    assert sum(step.days for step in plan.now.training) == 14
    assert max(step.seconds for step in plan.now.training) <= 60
    assert not any("Training" in title for title in entries(export()))  # a grown dog that bears the brush
    sore = dataclasses.replace(pup, skin_trouble=frozenset({"sores"}))
    assert planning.plan(sore, today=TODAY).now.training == ()
