"""The ten dogs of the demo scenario: invented, readable, and each shows what it is there for."""

from pathlib import Path

import numpy as np
import pytest

from coatclass.answers import doubts, evidence, parse
from coatclass.taxonomy import CATEGORIES

DEMO = Path(__file__).parent.parent.parent / "app" / "demo"

# What somebody who wrote the scenario meant each dog to wear; None where only touch can settle it.
MEANT = {
    "bramble": "wire", "nimbus": "arctic", "pomelo": "curly", "tansy": "drop", "clover": "hair", "otter": "fur",
    "fennel": None, "juniper": "curly", "sorrel": None, "pebble": "fur",
}  # fmt: skip


def read(name):
    return parse(DEMO / f"{name}.json")


def test_there_are_ten_demo_dogs():
    assert {path.stem for path in DEMO.glob("*.json")} == set(MEANT)


@pytest.mark.parametrize("name", MEANT)
def test_a_demo_dog_is_written_as_the_program_writes(name):
    assert (DEMO / f"{name}.json").read_text(encoding="utf-8") == read(name).model_dump_json(
        exclude_none=True, indent=2
    ) + "\n"
    assert f"`{name}.json`" in (DEMO / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(("name", "coat"), [(name, coat) for name, coat in MEANT.items() if coat])
def test_the_answers_of_a_demo_dog_point_at_its_coat(name, coat):
    likelihood = np.exp(np.array(evidence(read(name)).log_likelihood)).sum(axis=1)
    assert CATEGORIES[int(likelihood.argmax())] == coat


def test_the_scenario_holds_a_puppy_a_doubtful_coat_and_a_dog_that_must_not_be_brushed():
    assert "puppy_coat" in {doubt.code for doubt in doubts(read("sorrel"))}
    assert "growing_yet_shedding" in {doubt.code for doubt in doubts(read("fennel"))}
    assert read("juniper").patience == "cannot_bear" and "pain" in read("juniper").skin_trouble
    assert "felted" in read("juniper").mats.values()
    assert read("nimbus").comb_reaches_skin is False and read("nimbus").undercoat_seen == "dense"
