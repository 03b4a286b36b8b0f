"""Nothing is offered that the triage forbids or the dog can't bear, and more trouble never offers more."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from datetime import date
from itertools import product
from pathlib import Path

import pytest
from care_dogs import situation, situations
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.contract import CoatSituation, Who
from coatclass.intake import (
    Ears,
    Found,
    Health,
    Offers,
    Place,
    Rates,
    Sign,
    View,
    fit,
    limit_rules,
    offers,
    place_of,
    situation_of,
    welfare_limit,
)
from coatclass.intake.offers import RULE_FILE
from coatclass.presentation.intake import WhoseDog, choices, offer_lines, statement, told_again, told_as_json
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Patience, Undercoat
from coatclass.triage import thin_skinned, triage
from coatclass.words import LANGUAGES, catalogue

MODEL = fit(())
RATES = Rates(after="€", per_hour=48)
Z = BodyZone
ORDER = (Patience.ENJOYS, Patience.TOLERATES, Patience.FIDGETS, Patience.CANNOT_BEAR)

keys = st.builds(lambda view, zone: f"{view}.{zone}", st.sampled_from(list(View)), st.sampled_from(list(BodyZone)))
places = st.builds(
    Place,
    mats=st.none() | st.sampled_from(list(MatState)),
    signs=st.lists(st.sampled_from(list(Sign)), unique=True, max_size=2).map(tuple),
)
founds = st.builds(
    Found,
    places=st.dictionaries(keys, places, max_size=8),
    ears=st.none() | st.sampled_from(list(Ears)),
    health=st.lists(st.sampled_from(list(Health)), unique=True, max_size=3).map(tuple),
    patience=st.none() | st.sampled_from(list(Patience)),
    looked_over=st.booleans(),
)
ages = st.none() | st.floats(1, 240)


def made(found: Found, **known: object) -> Offers:
    return offers(situation(**{"weight_kg": 12.0, "age_months": 50.0} | known), found, rates=RATES, model=MODEL)


def matted(state: MatState, *keys: str, **more: object) -> Found:
    return Found(places={key: Place(mats=state) for key in keys}, looked_over=True, **more)


# --- the triage comes first -------------------------------------------------------------------------------------------


@settings(deadline=None)
@given(situations, founds)
def test_nothing_is_offered_that_the_triage_forbids(dog: CoatSituation, found: Found) -> None:
    answer = offers(dog, found, rates=RATES, model=MODEL)
    cleared = triage(situation_of(dog, found))
    assert answer.cleared == cleared
    left_to_vets = {one.zone for one in cleared.zones if one.first is Who.VET}
    for offer in (answer.keep, answer.clip):
        assert not left_to_vets & {*offer.out, *offer.off}
        if offer.open:
            assert answer.vet_first == ()
    if cleared.comes_off:
        assert not answer.keep.open
        assert answer.clip.work == "short_clip"
    if answer.clip.open and answer.clip.work == "short_clip" and not cleared.comes_off:
        assert cleared.shorter.open
    if answer.bath:
        assert all(
            rule not in cleared.bath.rules for rule in ("sores", "redness", "smell", "ears", "parasites", "pain")
        )


@settings(deadline=None)
@given(situations, founds)
def test_de_matting_is_never_offered_beyond_what_the_dog_can_bear(dog: CoatSituation, found: Found) -> None:
    answer = offers(dog, found, rates=RATES, model=MODEL)
    if answer.keep.open and answer.keep.de_matting is not None:
        assert answer.keep.de_matting <= answer.limit.de_matting
    if answer.keep.open and answer.keep.out:
        assert answer.limit.de_matting > 0
    felt = {key: one.mats for key, one in found.places.items() if one.mats is MatState.FELTED}
    tight = {key for key, one in found.places.items() if one.mats is MatState.TIGHT_MATS}
    job = answer.keep.job
    if job is not None:
        assert not set(felt) & set(job.out)
        assert not {key for key in tight if place_of(key)[1] in thin_skinned()} & set(job.out)


VET = ("sores", "pain", "parasites")
CASES = list(product(MatState, ("trunk", "legs", "armpits"), (None, *Sign), (None, *Patience)))


@pytest.mark.parametrize("category", [CoatCategory.CURLY, CoatCategory.ARCTIC, CoatCategory.WIRE])
def test_the_grid_of_triage_and_offers(category: CoatCategory) -> None:
    """Every state of mats, place, sign and patience: what is open, and why not."""
    dog = situation(categories=frozenset({category}), weight_kg=12.0, age_months=50.0)
    for state, zone, sign, patience in CASES:
        found = Found(
            places={f"left.{zone}": Place(mats=state), "left.tail": Place(signs=(sign,) if sign else ())},
            patience=patience,
            looked_over=True,
        )
        answer = offers(dog, found, rates=RATES, model=MODEL)
        keep, clip = answer.keep, answer.clip
        about = (category, state, zone, sign, patience)
        if sign in VET:
            assert not keep.open and not clip.open and keep.why == clip.why == "vet_first", about
            continue
        tight = state in (MatState.TIGHT_MATS, MatState.FELTED)
        comes_off = (zone == "trunk" and tight) or (zone == "legs" and state is MatState.FELTED)
        assert answer.comes_off is comes_off, about
        nothing_to_clip = category is CoatCategory.ARCTIC and state in (MatState.NONE, MatState.TANGLES)
        assert clip.open or nothing_to_clip, about
        if comes_off:
            assert keep.why == "comes_off" and clip.work == "short_clip", about
        elif category is CoatCategory.ARCTIC:
            assert clip.work == "clip_out", about
        if patience is Patience.CANNOT_BEAR and keep.out:
            assert not keep.open, about
        if sign is Sign.REDNESS:
            assert Z.TAIL in answer.left_alone and not answer.bath, about
        if sign is Sign.LUMP:
            assert answer.lumps == (Z.TAIL,), about
        if not tight and patience in (None, *ORDER[:2]) and sign in (None, Sign.LUMP):
            assert keep.open, about


def test_trouble_that_the_owner_told_stands_until_the_whole_dog_was_looked_over() -> None:
    told = situation(skin_trouble=frozenset({"sores"}), mats={Z.LEGS: MatState.FELTED}, weight_kg=12.0)
    quick = offers(told, Found(), rates=None, model=MODEL)
    assert quick.vet_first == ("sores",) and quick.comes_off
    looked = offers(told, Found(looked_over=True), rates=None, model=MODEL)
    assert looked.vet_first == () and not looked.comes_off and looked.keep.work == "groom"


@pytest.mark.parametrize("language", ["en", "de"])
def test_what_the_offers_reckon_with_stands_in_what_is_signed_though_nobody_saw_it_today(language: str) -> None:
    told = situation(mats={Z.ARMPITS: MatState.MATS, Z.LEGS: MatState.TANGLES}, weight_kg=12.0)
    words = catalogue(language, "intake")
    said = words.joined([f"{words.zone(Z.ARMPITS)}: {words.word('mat_state', MatState.MATS)}",
                         f"{words.zone(Z.LEGS)}: {words.word('mat_state', MatState.TANGLES)}"])  # fmt: skip
    before = words.say("say.before", what=said)
    assert before in spoken(offers(told, Found(), rates=None, model=MODEL), Found(), language)
    seen = Found(places={"left.armpits": Place(mats=MatState.FELTED), "left.legs": Place(mats=MatState.TANGLES)})
    for found in (seen, Found(looked_over=True)):
        assert words.say("say.before", what="").rstrip(".") not in spoken(
            offers(told, found, rates=None, model=MODEL), found, language
        )


def test_what_may_appear_is_told_of_mats_and_not_of_loose_tangles_through_which_one_sees() -> None:
    for state, told in ((MatState.TANGLES, False), (MatState.MATS, True), (MatState.TIGHT_MATS, True)):
        found = matted(state, "left.legs")
        assert (catalogue("en", "intake").say("say.under_title") in spoken(made(found), found, "en")) is told, state
    both = Found(places={"left.legs": Place(mats=MatState.TANGLES), "left.chest": Place(mats=MatState.MATS)})
    lead = catalogue("en", "intake").say("say.under_lead", zones="chest")
    assert lead in spoken(made(both), both, "en")


def spoken(answer: Offers, found: Found, language: str) -> str:
    subject = WhoseDog("Bramble", "", "", "", "Ada", date(2026, 3, 1), 50.0, 12.0)
    return json.dumps(
        told_as_json(statement(answer, found, subject, rates=RATES, language=language)), ensure_ascii=False
    )


def test_minutes_that_are_not_offered_are_said_to_be_more_than_the_dog_can_bear() -> None:
    """Rounded, 10.3 minutes against 10 would read as no reason at all."""
    checked = 0
    for kg in range(4, 60):
        found = matted(MatState.MATS, "left.legs", patience=Patience.FIDGETS)
        answer = made(found, weight_kg=float(kg))
        if answer.keep.why != "limit":
            continue
        [(_, why)] = offer_lines(answer.keep, answer, RATES, "en")
        minutes, most = map(int, re.findall(r"\d+", why))
        assert minutes > most == answer.limit.de_matting, why
        checked += answer.keep.de_matting < most + 0.5
    assert checked, "no dog was just above the limit"


def test_a_coat_of_which_nobody_knows_whether_it_is_cut_is_not_called_one_with_undercoat() -> None:
    unknown = situation(categories=frozenset(CoatCategory), weight_kg=12.0)
    assert offers(unknown, Found(), rates=None, model=MODEL).clip.why == "not_known"
    spitz = situation(categories=frozenset({CoatCategory.ARCTIC}), weight_kg=12.0)
    assert offers(spitz, Found(), rates=None, model=MODEL).clip.why == "not_cut"


def test_trouble_of_the_ears_keeps_hands_off_them_and_water_away() -> None:
    answer = made(matted(MatState.MATS, "left.ears", "left.legs", ears=Ears.TROUBLE))
    assert Z.EARS in answer.left_alone and not answer.bath
    assert answer.keep.out == answer.clip.off == (Z.LEGS,)


def test_both_ways_stand_side_by_side_with_minutes_and_price() -> None:
    answer = made(matted(MatState.MATS, "left.legs", "left.behind_ears"))
    assert answer.keep.open and answer.keep.work == "de_matting" and answer.keep.out == (Z.LEGS, Z.BEHIND_EARS)
    assert answer.clip.open and answer.clip.work == "short_clip" and answer.clip.off == answer.keep.out
    for offer in (answer.keep, answer.clip):
        assert offer.minutes is not None and offer.minutes.low < offer.minutes.middle < offer.minutes.high
        assert offer.cost is not None and 0 < offer.cost[0] <= offer.cost[1]


def test_without_a_weight_no_minutes_are_made_up_and_no_de_matting_is_offered() -> None:
    answer = made(matted(MatState.MATS, "left.legs"), weight_kg=None)
    assert answer.keep.why == "no_weight" and answer.clip.open
    assert answer.keep.minutes is answer.clip.minutes is answer.clip.cost is None


def test_felt_is_clipped_out_and_never_pulled_even_where_the_coat_is_kept() -> None:
    answer = made(matted(MatState.FELTED, "left.behind_ears"))
    assert answer.keep.open and answer.keep.off == (Z.BEHIND_EARS,) and answer.keep.out == ()


# --- what the dog can bear --------------------------------------------------------------------------------------------


def limit(age: float | None, health: frozenset[Health], patience: Patience | None) -> tuple[int, int]:
    found = welfare_limit(age_months=age, health=health, patience=patience)
    return found.de_matting, found.table


def at_most(worse: tuple[int, int], better: tuple[int, int]) -> bool:
    return worse[0] <= better[0] and worse[1] <= better[1]


healths = st.frozensets(st.sampled_from(list(Health)))


@given(ages, healths, st.sampled_from(list(Health)), st.sampled_from(ORDER))
def test_more_ill_health_never_bears_more(age, health, more, patience) -> None:
    assert at_most(limit(age, health | {more}, patience), limit(age, health, patience))


@given(ages, healths, st.sampled_from(ORDER), st.sampled_from(ORDER))
def test_less_patience_never_bears_more(age, health, one, other) -> None:
    worse, better = sorted((one, other), key=ORDER.index, reverse=True)
    assert at_most(limit(age, health, worse), limit(age, health, better))


@given(st.floats(12, 240), st.floats(12, 240), healths, st.sampled_from(ORDER))
def test_an_older_dog_never_bears_more(one, other, health, patience) -> None:
    assert at_most(limit(max(one, other), health, patience), limit(min(one, other), health, patience))


@given(st.floats(1, 90), st.floats(1, 90), healths, st.sampled_from(ORDER))
def test_a_younger_pup_never_bears_more(one, other, health, patience) -> None:
    assert at_most(limit(min(one, other), health, patience), limit(max(one, other), health, patience))


@given(ages, healths, st.sampled_from(ORDER))
def test_nobody_having_asked_bears_no_more_than_the_best(age, health, patience) -> None:
    assert at_most(limit(age, health, None), limit(age, health, Patience.ENJOYS))
    assert limit(None, health, patience)[0] <= 20


def test_the_limit_says_which_rows_set_it() -> None:
    old = welfare_limit(age_months=150, health=frozenset({Health.JOINTS}), patience=Patience.FIDGETS)
    assert (old.de_matting, old.table, old.rules) == (8, 40, ("old",))
    assert welfare_limit(age_months=150, patience=Patience.CANNOT_BEAR).de_matting == 0


@settings(deadline=None)
@given(situations, founds, st.sampled_from(list(Health)))
def test_ill_health_never_opens_de_matting(dog: CoatSituation, found: Found, more: Health) -> None:
    before = offers(dog, found, rates=None, model=MODEL)
    worse = offers(dog, found.model_copy(update={"health": (*found.health, more)}), rates=None, model=MODEL)
    assert worse.keep.open <= before.keep.open
    assert worse.clip.open == before.clip.open and worse.clip.parts >= before.clip.parts


@settings(deadline=None)
@given(situations, founds, st.floats(96, 200))
def test_age_never_opens_de_matting(dog: CoatSituation, found: Found, months: float) -> None:
    adult = offers(replace(dog, age_months=60.0), found, rates=None, model=MODEL)
    old = offers(replace(dog, age_months=months), found, rates=None, model=MODEL)
    assert old.keep.open <= adult.keep.open


def test_every_row_names_a_source_and_is_told_in_every_language() -> None:
    assert all(rule.source for rule in limit_rules())
    for language in LANGUAGES:
        words = catalogue(language, "intake")
        for rule in limit_rules():
            assert words.has(f"limit.{rule.id}"), (language, rule.id)


def test_more_down_is_no_reason_to_clip_a_double_coat() -> None:
    for down in (Undercoat.LIGHT, Undercoat.DENSE):
        answer = made(
            matted(MatState.MATS, "left.breeches"),
            categories=frozenset({CoatCategory.FUR}),
            undercoats=frozenset({down}),
        )
        assert answer.clip.work == "clip_out" and not answer.cleared.shorter.open


def test_tangles_in_a_double_coat_are_combed_out_and_not_clipped_out() -> None:
    found = Found(
        places={"left.trunk": Place(mats=MatState.TANGLES), "left.breeches": Place(mats=MatState.MATS)},
        looked_over=True,
    )
    answer = made(found, categories=frozenset({CoatCategory.ARCTIC}))
    assert (answer.clip.out, answer.clip.off) == ((Z.TRUNK,), (Z.BREECHES,))


def published(row: str) -> list[str]:
    """Numbers of a published fact, from the project's table of facts with their sources."""
    with (Path(__file__).parent.parent / "reference" / "care_published_facts.csv").open(encoding="utf-8") as stream:
        [found] = [one for one in csv.DictReader(stream) if one["table_row"] == row]
    return found["numbers"].split("|")


def test_owners_are_told_the_published_time_of_regrowth() -> None:
    """3 to 4 months, 12 to 24 after post-clipping alopecia: Univ. Minnesota Animal Dermatology, ch. 1.13."""
    low, high = published("post_clip_normal_regrowth")
    slow, _ = published("post_clip_alopecia_full_regrowth")
    assert int(slow) == 12  # "a year or longer"
    for language, year in (("en", "a year or longer"), ("de", "ein Jahr oder länger")):
        told = catalogue(language, "intake").say("say.regrowth")
        assert re.findall(r"\d+", told) == [low, high] and year in told


def test_every_fact_that_is_told_before_signing_has_its_source() -> None:
    sources = read_toml(RULE_FILE)["told"]
    assert all(sources.values())
    words = catalogue("en", "intake")
    assert all(words.has(key) for key in sources)
    assert "27 dogs" in sources["say.under"] and published("strangulating_mats") == ["27"]


def test_a_spitz_is_told_of_regrowth_and_a_wire_coat_of_its_colour() -> None:
    cases = (
        ("arctic", "regrowth", True),
        ("hair", "regrowth", False),
        ("wire", "stripped", True),
        ("curly", "stripped", False),
    )
    for name, key, told in cases:
        category = CoatCategory(name)
        found = matted(MatState.FELTED, "left.trunk")
        answer = made(found, categories=frozenset({category}))
        subject = WhoseDog("Bramble", "", "", "", "Ada", date(2026, 3, 1), 50.0, 12.0)
        said = json.dumps(told_as_json(statement(answer, found, subject, rates=None, language="en")))
        assert (catalogue("en", "intake").say(f"say.{key}") in said) is told, category


def test_what_was_told_can_be_told_again_word_for_word() -> None:
    found = matted(MatState.MATS, "left.legs", health=(Health.HEART,))
    subject = WhoseDog("Bramble", "", "Ottoline Farrow", "0000 100", "Ada", date(2026, 3, 1), 50.0, 12.0, photos=2)
    for language in ("en", "de"):
        told = statement(made(found), found, subject, rates=RATES, language=language)
        assert told_again(json.loads(json.dumps(told_as_json(told)))) == told


@settings(deadline=None, max_examples=40)
@given(situations, founds)
def test_whatever_is_found_can_be_told_in_both_languages_and_names_no_price_of_a_closed_offer(dog, found) -> None:
    answer = offers(dog, found, rates=RATES, model=MODEL)
    subject = WhoseDog("Bramble", "", "", "", "Ada", date(2026, 3, 1), dog.age_months, dog.weight_kg)
    for language in ("en", "de"):
        sections = statement(answer, found, subject, rates=RATES, language=language)
        assert sections[-1].id == "agreed"
        said = json.dumps(told_as_json(sections), ensure_ascii=False)
        open_ways = [one for one in (answer.keep, answer.clip) if one.open]
        assert said.count("€") <= 2 * len(open_ways)
        codes = [code for code, _ in choices(answer, language)]
        assert ("keep" in codes) is answer.keep.open and ("clip" in codes) is answer.clip.open
        if answer.vet_first:
            assert codes == ["vet", "none"]


def test_that_a_dog_is_pregnant_or_nursing_counts_on_the_table_whoever_said_it() -> None:
    """Common practice, no source: only what is needed, and the vet's word comes first."""
    calm = situation(weight_kg=12.0, age_months=40.0, patience=Patience.ENJOYS)
    told = offers(replace(calm, expecting=True), Found(), rates=None, model=MODEL)
    asked = offers(calm, Found(health=(Health.PREGNANT,)), rates=None, model=MODEL)
    assert told.limit == asked.limit and told.limit.de_matting == 0
    assert offers(calm, Found(), rates=None, model=MODEL).limit.de_matting > 0
