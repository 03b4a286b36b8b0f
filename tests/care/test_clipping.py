"""The visits of the weeks to come: lengths in mm and in guards; never a clip for a coat that is not cut."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise, product

import pytest
from care_dogs import situation

from coatclass import care
from coatclass.contract import ClipRung, Guard, TechniqueCheck, VisitNote
from coatclass.planning import Plan, plan
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Undercoat

TODAY = date(2026, 3, 2)
GUARDS = tuple(Guard(name=f"guard {mm}", mm=mm) for mm in (3, 6, 9, 13, 16, 19, 22, 25))
COMMON: dict[str, object] = {"weight_kg": 8.0, "minutes_per_week": 60.0, "measured_mm": 40.0}


def of(
    today: date = TODAY,
    weeks: float | None = None,
    guards: tuple[Guard, ...] = GUARDS,
    booked: care.Booked | None = None,
    here: bool = False,
    **known: object,
) -> Plan:
    return plan(situation(**(COMMON | known)), today=today, guards=guards, visit_weeks=weeks, booked=booked, here=here)


def in_days(days: int) -> care.Booked:
    return care.Booked(datetime.combine(TODAY + timedelta(days=days), datetime.min.time()).replace(hour=10), 60)


def clips(made: Plan) -> list[ClipRung]:
    return [rung for rung in made.clips if rung.kind == "clip"]


def test_a_clipped_coat_does_not_outgrow_what_week_and_dog_carry_until_the_next_visit() -> None:
    made = of()
    assert made.now.time is not None and made.now.time.longest_mm is not None
    rungs = clips(made)
    assert len(rungs) >= 2
    for one, other in zip(rungs, made.clips[1:], strict=False):
        assert one.mm is not None and other.grown_mm is not None
        assert other.grown_mm <= made.now.time.longest_mm + 1
        assert one.mm <= (one.grown_mm or 0)


def test_lengths_are_those_of_the_salons_own_guards_or_named_as_scissor_work() -> None:
    for rung in clips(of()):
        assert rung.mm is not None
        assert (rung.guard is None and "scissors" in rung.text) or (rung.guard in GUARDS and rung.mm == rung.guard.mm)
    assert any(rung.guard for rung in clips(of()))
    assert all(rung.guard is None and "guard" not in rung.text for rung in clips(of(guards=())))


def test_legs_get_a_guard_of_their_own_a_little_longer_unless_the_comb_stopped_there() -> None:
    """Common practice, no source: legs are left a guard or two longer than the body."""
    combs = (*GUARDS, Guard(name="long", mm=32.0), Guard(name="longest", mm=60.0))
    told = [rung for rung in clips(of(guards=combs)) if "; legs to " in rung.text]
    assert told and all(rung.guard and rung.text.endswith(": long") for rung in told if rung.mm == 25)
    tight = clips(of(guards=combs, minutes_per_week=30.0))
    assert any("sooner" in rung.text for rung in tight)
    assert not any("legs to" in rung.text for rung in tight if "sooner" in rung.text)
    check = TechniqueCheck(passed=(BodyZone.TRUNK,), stopped=(BodyZone.LEGS,), faults=())
    stopped = clips(of(guards=combs, notes=(VisitNote(on=TODAY, check=check),)))
    assert stopped and not any("legs to" in rung.text for rung in stopped)


def test_no_dog_is_cut_over_a_comb_where_a_guard_leaves_a_millimetre_more() -> None:
    for minutes in (20.0, 30.0, 40.0, 50.0, 60.0, 90.0):
        for rung in clips(of(minutes_per_week=minutes)):
            assert rung.guard or not any(rung.mm <= guard.mm <= rung.mm + 0.9 for guard in GUARDS), rung.text
            assert rung.mm is not None and rung.grown_mm is not None and rung.mm <= rung.grown_mm


def test_a_guard_much_shorter_than_what_was_agreed_is_not_used() -> None:
    for rung in clips(of(guards=(Guard(name="short", mm=3),))):
        assert rung.guard is None


def test_longer_between_visits_means_shorter_at_the_visit() -> None:
    every4, every8 = clips(of(weeks=4))[0], clips(of(weeks=8))[0]
    assert every4.mm is not None and every8.mm is not None
    assert every8.mm < every4.mm


def test_the_season_sets_the_least_and_brings_the_next_visit_nearer_instead() -> None:
    winter = of(today=date(2026, 11, 2), weeks=8, minutes_per_week=25.0)
    for rung in clips(winter):
        if rung.on.month in (11, 12, 1, 2, 3) and rung.grown_mm and rung.grown_mm > 9:
            assert rung.mm is not None and rung.mm >= 9 - 0.5


def test_no_visit_leaves_less_than_the_sun_lets_through_the_year_round() -> None:
    """Common practice, no source: skin without cover burns, most of all where it was covered all winter."""
    for month in range(1, 13):
        made = of(today=date(2026, month, 2), weeks=8, minutes_per_week=25.0, guards=())
        assert clips(made) and all(
            rung.mm is not None and rung.mm >= min(6, rung.grown_mm or 6) for rung in clips(made)
        )


@pytest.mark.parametrize("coat", [CoatCategory.ARCTIC, CoatCategory.FUR])
def test_a_double_coat_is_brushed_out_oftener_while_it_moults(coat: CoatCategory) -> None:
    made = of(categories=frozenset({coat}), undercoats=frozenset({Undercoat.DENSE}))
    assert {rung.kind for rung in made.clips} == {"brush_out"}
    gaps = [(b.on - a.on).days for a, b in zip(made.clips, made.clips[1:], strict=False)]
    assert min(gaps) < max(gaps)


def test_a_stripped_coat_is_stripped() -> None:
    made = of(categories=frozenset({CoatCategory.WIRE}), hand_stripped=True)
    assert {rung.kind for rung in made.clips} == {"strip"}


@pytest.mark.parametrize(("since", "first"), [(None, 70), (0.0, 70), (3.0, 49), (9.0, 7), (10.0, 0), (40.0, 0)])
def test_the_next_stripping_follows_the_last_one_and_is_due_today_when_it_is_overdue(since, first) -> None:
    # Every ten weeks: common practice, no source (data/clipping.toml).
    made = of(categories=frozenset({CoatCategory.WIRE}), hand_stripped=True, weeks_since_stripped=since)
    days = [(rung.on - TODAY).days for rung in made.clips]
    assert days[0] == first
    assert all(later - earlier == 70 for earlier, later in pairwise(days))


def trims(made: Plan) -> list[care.Event]:
    return [event for event in made.events if event.kind == "trim"]


@pytest.mark.parametrize("known", [
    {"measured_mm": 60.0}, {"measured_mm": 20.0},
    {"categories": frozenset({CoatCategory.WIRE}), "hand_stripped": True, "weeks_since_stripped": 9.0},
    {"categories": frozenset({CoatCategory.FUR}), "undercoats": frozenset({Undercoat.DENSE})},
])  # fmt: skip
@pytest.mark.parametrize("days", [1, 9, 20])
def test_the_first_visit_of_the_ladder_is_the_one_that_was_booked(days: int, known: dict[str, object]) -> None:
    made = of(booked=in_days(days), **known)
    assert made.clips[0].on == TODAY + timedelta(days=days)
    assert all(later.on > earlier.on for earlier, later in pairwise(made.clips))


def test_a_visit_booked_for_much_later_does_not_put_off_what_is_due_and_is_one_of_those_that_follow() -> None:
    """The dog stands on the table today, and the owner has booked the next visit already."""
    made = of(booked=in_days(35), measured_mm=60.0)
    assert [rung.on for rung in made.clips[:2]] == [TODAY, TODAY + timedelta(days=35)]
    assert made.clips[0].mm is not None and made.now.time is not None and made.now.time.longest_mm is not None
    assert made.clips[1].grown_mm is not None and made.clips[1].grown_mm <= made.now.time.longest_mm + 1
    assert trims(made) and made.cut_on is None


@pytest.mark.parametrize("days", [1, 9, 20])
def test_a_coat_that_is_too_long_is_cut_on_the_day_on_which_the_dog_stands_on_the_table(days: int) -> None:
    made = of(booked=in_days(days), here=True, measured_mm=60.0)
    assert [rung.on for rung in made.clips[:2]] == [TODAY, TODAY + timedelta(days=days)]
    assert made.clips[0].kind == "clip" and made.cut_on is None
    assert of(booked=in_days(days), here=True, measured_mm=20.0).clips[0].on == TODAY + timedelta(days=days)


def test_a_coat_in_cords_waits_for_an_ordinary_visit_and_one_matted_tight_for_the_next_day() -> None:
    def visits(booked: care.Booked | None = None, **known: object) -> list[int]:
        made = of(booked=booked, corded=True, **known)
        return [(event.start - TODAY).days for event in made.events if event.kind == "visit"]

    assert visits() == [14]
    assert visits(in_days(9)) == [9] and visits(in_days(40)) == [14]
    assert visits(mats={BodyZone.LEGS: MatState.TIGHT_MATS}) == [1]
    assert visits(in_days(9), skin_trouble=frozenset({"sores"})) == [1]


def test_longer_until_the_booked_visit_means_shorter_today() -> None:
    today = [of(booked=in_days(days), measured_mm=60.0, guards=()).clips[0].mm for days in (28, 56)]
    assert today[0] is not None and today[1] is not None and today[1] < today[0]


def test_a_trim_that_the_booked_visit_brings_is_not_to_be_booked_once_more() -> None:
    without, made = of(measured_mm=60.0), of(booked=in_days(9), measured_mm=60.0)
    assert trims(without) and not trims(made)
    assert made.clips[0].kind == "clip" and made.cut_on == TODAY + timedelta(days=9)
    said = care.growth_words(made.growth, cut_on=made.cut_on)
    assert any("is booked for" in line for line in said) and not any("book a trim now" in line for line in said)
    tidied = of(booked=in_days(9), measured_mm=20.0)
    assert tidied.clips[0].kind == "tidy" and trims(tidied), "the cut is still to come"


def test_a_felted_coat_comes_off_at_the_booked_visit_and_grows_from_there() -> None:
    felted = {"mats": {BodyZone.TRUNK: MatState.FELTED}}
    days = [(of(booked=booked, **felted).clips[0].on - TODAY).days for booked in (None, in_days(9))]
    assert days[1] == days[0] + 9


def test_while_a_coat_that_is_not_cut_is_possible_nobody_clips() -> None:
    assert clips(of(categories=frozenset({CoatCategory.CURLY, CoatCategory.FUR}))) == []


def test_without_a_week_or_a_wish_nobody_knows_the_length() -> None:
    assert of(minutes_per_week=None).clips == ()


@pytest.mark.slow
def test_no_clip_is_advised_where_cutting_by_choice_is_closed() -> None:
    seen = 0
    for coat, zone, state, trouble, patience, age in product(
        CoatCategory, (BodyZone.TRUNK, BodyZone.BELLY), MatState, (None, "sores", "pain", "redness"),
        (None, Patience.CANNOT_BEAR), (3.0, 40.0),
    ):  # fmt: skip
        made = of(
            categories=frozenset({coat}), mats={zone: state}, patience=patience, age_months=age,
            skin={zone: trouble} if trouble else {}, skin_trouble=frozenset({trouble} if trouble else ()),
            bands=frozenset({LengthBand.FROM_25_TO_75MM}),
        )  # fmt: skip
        now, then = made.now.triage, (made.after or made.now).triage
        if now.first.value == "vet":
            assert made.clips == ()
        if clips(made):
            seen += 1
            assert care.growth_words(made.growth)
            assert then.shorter.open and then.session.open
            assert coat not in (CoatCategory.ARCTIC, CoatCategory.FUR)
    assert seen > 20
