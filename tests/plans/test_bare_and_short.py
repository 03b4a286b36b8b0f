"""Next to no coat, or one too short to comb: skin, hand and cloth before any tool. Common practice, no source.

Which breeds are hairless: FCI-Standards No. 234 (Xoloitzcuintle), 288 (Chinese Crested) and 310 (Peruvian Hairless
Dog), COAT, from memory; each of them knows dogs that are born with a coat as well.
"""

from __future__ import annotations

import pytest

from coatclass import breeds
from coatclass.answers import Answers, OwnedTool
from coatclass.assessing import assess, situation_of
from coatclass.cli.dog import presented
from coatclass.contract import Assessment, Role
from coatclass.taxonomy import BodyZone
from coatclass.toolkit import catalogue as tools
from coatclass.toolkit import judge_owned, why_not
from coatclass.words import LANGUAGES, catalogue

USABLE = {Role.ESSENTIAL, Role.HELPFUL}
BARE = [
    {"breed": "Xoloitzcuintle"},
    {"breed": "Chinese Crested", "trunk_length_mm": 1},
    {"breed": "Peruanischer Nackthund", "trunk_length_mm": 2, "sensitive_skin": True},
    {"breed": "Chinese Crested", "age_months": 3},
    {"trunk_length_mm": 1, "lie": "lies_flat", "keeps_growing": False, "sparse_hair": True},
]
COATED = [
    {"breed": "Powderpuff", "trunk_length_mm": 90, "lie": "hangs", "keeps_growing": True},
    {"breed": "Chinese Crested", "trunk_length_mm": 60, "feel": "silky", "lie": "hangs", "keeps_growing": True},
    {"breed": "Xoloitzcuintle", "trunk_length_mm": 8},
    {"breed": "Xoloitzcuintle", "sparse_hair": False},
    {"breed": "Greyhound", "trunk_length_mm": 4},
]


def in_use(found: Assessment) -> dict[str, set[BodyZone]]:
    return {item.tool: set(item.zones) for item in found.kit if item.role in USABLE}


@pytest.mark.parametrize("told", BARE)
def test_bare_skin_is_cared_for_and_gets_no_tool_but_a_soft_brush_for_its_tufts(told):
    found = assess(answers=Answers(**told))
    assert set(in_use(found)) <= {"soft_bristle_brush"}
    assert all(BodyZone.TRUNK not in zones for zones in in_use(found).values())
    assert not any(item.role is Role.ESSENTIAL for item in found.kit)
    codes = {caution.code for caution in found.cautions}
    assert "bare" in codes and not codes & {"no_shaving", "brush_burn", "sparse", "bath_order"}
    assert any(step.technique == "cloth" and BodyZone.TRUNK in step.zones for step in found.routine.steps)
    assert found.routine.bath_steps == catalogue("en", "care").lines("bath.steps_bare")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("told", BARE[:2])
def test_the_plan_says_plainly_that_there_is_next_to_no_coat(told, language):
    answers = Answers(**told)
    made = presented(assess(answers=answers), answers, name="Fennel", language=language)
    words = catalogue(language)
    assert words.say("plan.coat.bare") in made.title
    assert words.coat("fur", phrase=True) not in made.title
    assert made.section("map") is None, "nothing can knot"


@pytest.mark.parametrize("told", COATED)
def test_a_coated_dog_of_a_hairless_breed_and_a_short_one_of_another_are_brushed(told):
    found = assess(answers=Answers(**told))
    assert any(BodyZone.TRUNK in zones for zones in in_use(found).values())
    assert "bare" not in {caution.code for caution in found.cautions}


def test_a_shaved_curly_dog_is_not_called_hairless_but_its_skin_is_spared():
    answers = Answers(breed="Poodle", curl="curly", last_trim_how="clipped", trunk_length_mm=1)
    found = assess(answers=answers)
    assert set(in_use(found)) <= {"soft_bristle_brush"}
    assert catalogue("en").say("plan.coat.bare") not in presented(found, answers).title


def test_no_slicker_or_comb_at_home_is_said_to_suit_bare_skin():
    answers = Answers(breed="Xolo")
    found = assess(answers=answers)
    dog = situation_of(answers, found.category, found.length_band, found.reasons)
    for tool in set(tools()) - set(in_use(found)):
        assert why_not(tool, dog, found.triage).endswith(catalogue("en", "toolkit").say("message.why_bare"))
    for kind in ("coated tip slicker", "wide comb", "undercoat rake"):
        assert judge_owned(OwnedTool(kind=kind), dog, found.triage).verdict == "not_for_this_coat"


@pytest.mark.parametrize(
    ("text", "may"),
    [
        ("Xolo", True),
        ("Chinesischer Schopfhund", True),
        ("American Hairless Terrier", True),
        ("Nackthund", True),
        ("Powderpuff", False),
        ("Greyhound", False),
        ("Xolo Labrador mix", False),
        ("don't know", False),
    ],
)
def test_which_dogs_may_be_hairless(text, may):
    assert breeds.may_be_hairless(text) is may


# --- too short to comb ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "told",
    [
        {"breed": "Shih Tzu", "age_months": 2.5},
        {"breed": "Beagle", "age_months": 3},
        {"breed": "Poodle", "curl": "curly", "last_trim_how": "clipped", "age_months": 40},
        {"breed": "Maltese", "feel": "silky", "last_trim_how": "clipped", "long_furnishings": False, "age_months": 40},
        {"breed": "Pomeranian", "lie": "stands_off", "undercoat_seen": "dense", "last_trim_how": "clipped"},
    ],
)
def test_a_coat_too_short_to_comb_gets_no_comb_and_one_a_little_longer_does(told):
    short, longer = (assess(answers=Answers(**told, trunk_length_mm=mm)) for mm in (6, 12))
    combs = {tool for tool in tools() if "comb" in tools()[tool].family}
    assert not combs & set(in_use(short))
    assert combs & set(in_use(longer)) or told["breed"] == "Beagle"
    assert in_use(short), "a soft brush is enough, but there is one"
    assert short.week is not None and short.week.touch_ups == 0, "nothing to comb between the sittings"


def test_legs_and_beard_left_longer_than_a_trunk_cut_close_are_combed_there_only():
    answers = Answers(breed="Miniature Schnauzer", feel="harsh", beard_and_brows=True, last_trim_how="clipped",
                      long_furnishings=True, trunk_length_mm=6)  # fmt: skip
    zones = in_use(assess(answers=answers))
    assert {BodyZone.LEGS, BodyZone.BEARD} <= zones["medium_comb"]
    assert all(BodyZone.TRUNK not in zones[tool] for tool in zones if "comb" in tools()[tool].family)
    assert "carding_knife" not in zones and "firm_slicker" not in zones


@pytest.mark.parametrize("undercoat", ["none", "light", None])
def test_a_greyhound_needs_one_soft_tool_and_a_cloth(undercoat):
    told = {} if undercoat is None else {"undercoat_seen": undercoat}
    found = assess(answers=Answers(breed="Greyhound", trunk_length_mm=5, **told))
    assert list(in_use(found)) == ["rubber_curry"]
    cloth = next(step for step in found.routine.steps if step.technique == "cloth")
    assert {BodyZone.FACE, BodyZone.LEGS, BodyZone.BELLY} <= set(cloth.zones)


@pytest.mark.parametrize("breed", ["Siberian Husky", "Golden Retriever", "Labradoodle", "Yorkshire Terrier"])
def test_some_step_serves_the_face_of_every_dog(breed):
    found = assess(answers=Answers(breed=breed, trunk_length_mm=50))
    steps = [step for step in found.routine.steps if step.technique not in ("look", "end")]
    assert any(BodyZone.FACE in step.zones for step in steps)
