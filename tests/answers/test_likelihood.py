"""The tables P(answer | coat): well-formed, sourced, true to the definitions and to published tables."""

import csv
import math
import tomllib
from collections import Counter, defaultdict
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

import coatclass.answers
from coatclass.answers import likelihood, outcomes, question, questions, stated, visible
from coatclass.answers.likelihoods import LENGTH, length_density, reliability, tabled_questions
from coatclass.taxonomy import BANDS, CATEGORIES, band_of_mm, gross_error, measuring_error

DATA = Path(coatclass.answers.__file__).parent / "data"
REFERENCE = Path(__file__).parent.parent / "reference"
ROWS = list(csv.DictReader((DATA / "likelihood.csv").open(encoding="utf-8")))


def by_category(name, answer, band="25_75mm"):
    """P(answer | category, one band) by category; a drop coat in its own band."""
    table = likelihood(name, answer)
    column = BANDS.index(band)
    return {
        str(category): row[-1] if category == "drop" else row[column]
        for category, row in zip(CATEGORIES, table, strict=True)
    }


def wilson(hits, trials, z=1.96):
    """95 % interval of a share (Wilson 1927, J Am Stat Assoc 22:209-212)."""
    middle = (hits + z * z / 2) / (trials + z * z)
    half = z / (trials + z * z) * math.sqrt(hits * (trials - hits) / trials + z * z / 4)
    return middle - half, middle + half


def reference(name):
    return list(csv.DictReader((REFERENCE / name).open(encoding="utf-8")))


def test_every_row_has_a_source_and_a_probability():
    for row in ROWS:
        assert len(row["source"]) >= 10, row
        assert 0 < float(row["probability"]) < 1, row
        assert row["category"] in {*CATEGORIES, "*"} and row["band"] in {*BANDS, "*"}, row


def test_rows_sum_to_one_and_none_is_doubled():
    sums = defaultdict(float)
    for row in ROWS:
        sums[row["question"], row["category"], row["band"]] += float(row["probability"])
    assert all(math.isclose(total, 1) for total in sums.values())
    keys = Counter((row["question"], row["answer"], row["category"], row["band"]) for row in ROWS)
    assert set(keys.values()) == {1}


@pytest.mark.parametrize("name", [*tabled_questions(), LENGTH])
def test_every_answer_is_covered_and_every_cell_sums_to_one(name):
    if name != LENGTH:
        assert set(outcomes(name)) == {choice.value for choice in question(name).choices}
    cells = np.sum([likelihood(name, answer) for answer in outcomes(name)], axis=0)
    assert cells.shape == (7, 4)
    assert cells == pytest.approx(np.ones((7, 4)))


def test_every_choice_about_the_coat_has_a_table():
    about_the_coat = {spec.id for spec in questions() if spec.group != "care" and spec.kind in ("choice", "yes_no")} - {
        "breed_known_by",
        "trunk_length_by",
    }  # these say how far another answer is trusted
    assert set(tabled_questions()) == about_the_coat


@pytest.mark.parametrize(("name", "answer"), [("patience", "enjoys"), ("feel", "rough"), ("shoe_size", 3)])
def test_what_is_no_evidence_has_no_table(name, answer):
    with pytest.raises(ValueError, match="no table"):
        likelihood(name, answer)
    assert answer not in outcomes(name)


def test_rows_of_visible_questions_are_counted_and_all_others_stated():
    for name in tabled_questions():
        differ = any(likelihood(name, answer) != stated(name, answer) for answer in outcomes(name))
        assert differ == (name in visible())


def test_what_an_observer_saw_moves_the_rows_towards_it():
    """Of photos kept aside (their README): stands off on hair 0.60 observed, 0.26 stated; beard on hair 0.95, 0.45."""
    hair = CATEGORIES.index("hair")
    for name, answer in (("lie", "stands_off"), ("beard_and_brows", True)):
        assert np.mean(likelihood(name, answer)[hair]) > np.mean(stated(name, answer)[hair]) + 0.1


# --- true to the definitions of the taxonomy ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "answer", "category"),
    [
        ("feel", "harsh", "wire"),
        ("feel", "woolly", "curly"),
        ("feel", "silky", "drop"),
        ("curl", "curly", "curly"),
        ("wet_lock_curls", True, "curly"),
        ("undercoat_seen", "dense", "arctic"),
        ("lie", "stands_off", "arctic"),
        ("lie", "lies_flat", "fur"),
        ("lie", "hangs", "drop"),
        ("beard_and_brows", True, "wire"),
        ("last_trim_how", "hand_stripped", "wire"),
        ("shedding", "seasonal", "arctic"),
        ("shedding", "steady", "fur"),
        ("comb_reaches_skin", False, "arctic"),
    ],
)
def test_a_telling_answer_points_at_its_coat(name, answer, category):
    probabilities = by_category(name, answer)
    assert max(probabilities, key=probabilities.get) == category


def test_continuously_growing_coats_keep_growing_and_shed_cycle_coats_do_not():
    growing = by_category("keeps_growing", True)
    assert min(growing[c] for c in ("hair", "curly", "drop")) > 0.85
    assert max(growing["fur"], growing["arctic"]) < 0.1
    assert growing["fur"] < growing["mixed"] < growing["hair"]


def test_curly_hair_is_still_curly_when_clipped():
    curly = CATEGORIES.index("curly")
    assert all(p >= 0.65 for p in stated("curl", "curly")[curly])
    for answer in ("straight", "wavy"):  # as observed, too, which is harder where the coat is short
        assert all(
            p > q for p, q in zip(likelihood("curl", "curly")[curly], likelihood("curl", answer)[curly], strict=True)
        )


def test_wire_is_still_wire_when_clippered():
    assert all(p >= 0.65 for p in likelihood("feel", "harsh")[CATEGORIES.index("wire")])


def test_longer_hair_stops_the_comb_more_often():
    for row in likelihood("comb_reaches_skin", True):
        assert list(row) == sorted(row, reverse=True)


def test_mixed_coats_stop_the_comb_at_least_as_often_as_either_parent_kind():
    # common practice, no source: these coats mat most
    stopped = by_category("comb_reaches_skin", False)
    assert stopped["mixed"] >= max(stopped["hair"], stopped["fur"])


# --- against published tables ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("category", ["hair", "fur", "wire", "curly", "drop", "arctic"])
def test_little_shedding_is_as_common_as_two_kennel_clubs_say(category):
    # sources in the file; the stated probability lies between the clubs' shares, each widened by its 95 % interval
    rows = [row for row in reference("shedding_by_category.csv") if row["category"] == category]
    intervals = [wilson(int(row["little"]), int(row["rated"])) for row in rows]
    assert len(rows) == 2
    stated = by_category("shedding", "little")[category]
    assert min(low for low, _ in intervals) <= stated <= max(high for _, high in intervals)


def test_down_is_seen_at_least_as_often_as_the_standards_mention_an_undercoat():
    # sources in the file; a standard that is silent may still be of a dog with down, so this is a lower bound
    for row in reference("undercoat_by_category.csv"):
        least, _ = wilson(int(row["mentioned"]), int(row["standards"]))
        assert 1 - by_category("undercoat_seen", "none")[row["category"]] >= least, row["category"]


@pytest.mark.photos
@pytest.mark.tables
def test_the_carried_shedding_counts_are_those_of_the_published_table(photos, tables):
    from rapidfuzz import fuzz, process

    worn = defaultdict(Counter)
    with (photos / "manifest.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            if row["split"] == "train":
                worn[row["breed"].replace("_", " ").lower()][row["category"]] += 1
    counts = defaultdict(Counter)
    with (tables / "kennel_club_uk_breed_coats.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            name = row["breed"].replace("\xa0", " ").lower()
            hit = process.extractOne(name, list(worn), scorer=fuzz.token_sort_ratio, score_cutoff=90)
            if hit:
                counts[worn[hit[0]].most_common(1)[0][0]][row["Sheds"]] += 1
    for row in reference("shedding_by_category.csv"):
        if row["club"] == "uk":
            found = counts[row["category"]]
            # names are matched by spelling, so a few breeds may fall out
            assert abs(found["No"] - int(row["little"])) <= 2
            assert abs(found.total() - int(row["rated"])) <= 5


# --- trunk length ---------------------------------------------------------------------------------------------------


def best_band(length_mm, by="ruler"):
    row = length_density(length_mm, by)[0]
    return BANDS[row.index(max(row))]


@pytest.mark.parametrize("length_mm", [1, 5, 12, 16, 20, 22, 24, 30, 50, 68, 85, 200, 600, 800])
def test_a_ruler_points_at_the_band_that_holds_the_length(length_mm):
    assert best_band(length_mm) == band_of_mm(length_mm)


def test_a_finger_says_less_than_a_ruler_and_an_eye_less_than_a_finger():
    def spread(by):
        row = np.array(length_density(40, by)[0])
        return -np.sum(row / row.sum() * np.log(row / row.sum()))

    assert spread("ruler") < spread("finger") < spread("eye") < math.log(4)


def test_a_measured_length_is_a_density():
    grid = np.linspace(math.log(0.5), math.log(900), 4000)
    # lengths beyond the outer ends count as the ends, so the density is integrated between them only
    model = reliability()["length"]
    inside = grid[(grid > math.log(model["shortest_mm"])) & (grid < math.log(model["longest_mm"]))]
    density = np.array([length_density(math.exp(x))[0] for x in inside])
    total = np.trapezoid(density, inside, axis=0)
    assert total[1:3] == pytest.approx(1, abs=0.01)  # the outer bands lose a little beyond the ends
    assert (total <= 1.001).all() and (total > 0.93).all()


def test_no_drop_coat_is_short():
    # definition: a drop coat hangs and parts, over about 75 mm
    table = length_density(30)
    drop, hair = CATEGORIES.index("drop"), CATEGORIES.index("hair")
    assert table[drop][2] < 0.01 * table[hair][2]
    assert table[drop][3] == table[hair][3]


def test_the_reading_bands_agree_with_simulated_rulers():
    # simulated: 40,000 true lengths a band, read with the stated error
    rng = np.random.default_rng(5)
    sd, gross = measuring_error("ruler"), gross_error()
    truth = np.exp(rng.uniform(math.log(19), math.log(25), 40_000))
    read = truth * np.exp(rng.normal(0, sd, truth.size))
    share = (1 - gross) * np.mean((read >= 19) & (read < 25))
    stated = likelihood(LENGTH, "19_25mm")[0][1]
    assert stated == pytest.approx(share, abs=0.01)


def measuring():
    return tomllib.loads((DATA.parents[1] / "taxonomy" / "data" / "measuring.toml").read_text(encoding="utf-8"))


def test_the_error_by_eye_follows_from_the_published_correlation():
    # Morrill 2022 Science 376:eabk0639 fig 1: owners' answers against owners' measurements, r = 0.84
    eye = measuring()["error"]["eye"]
    derived = eye["population_sd_log"] * math.sqrt(1 / eye["correlation"] ** 2 - 1)
    assert eye["sd_log"] == pytest.approx(derived, abs=0.005)
    # and the other way round: a simulated owner with this error correlates with the truth as published
    rng = np.random.default_rng(1)
    truth = rng.normal(0, eye["population_sd_log"], 200_000)
    assert np.corrcoef(truth, truth + rng.normal(0, eye["sd_log"], truth.size))[0, 1] == pytest.approx(0.84, abs=0.01)


@pytest.mark.tables
def test_the_correlation_is_the_one_in_the_published_facts(tables):
    with (tables / "published_facts.csv").open(encoding="utf-8") as stream:
        facts = {row["fact"]: row for row in csv.DictReader(stream)}
    stated = measuring()["error"]["eye"]["correlation"]
    assert facts["owner_measured_height_r"]["value"].startswith(f"{stated:g}")


@pytest.mark.photos
def test_the_spread_of_lengths_is_that_of_the_labelled_photos(photos):
    with (photos / "manifest.csv").open(encoding="utf-8") as stream:
        counts = Counter(row["band"] for row in csv.DictReader(stream) if row["split"] == "train")
    limits = [-math.inf, math.log(19), math.log(25), math.log(75), math.inf]

    def log_likelihood(middle, deviation):
        below = [NormalDist(middle, deviation).cdf(limit) if math.isfinite(limit) else limit > 0 for limit in limits]
        masses = [max(b - a, 1e-12) for a, b in pairwise(below)]
        return sum(counts[band] * math.log(mass) for band, mass in zip("ABCD", masses, strict=True))

    grid = [(m / 50, s / 50) for m in range(120, 190) for s in range(20, 70)]
    _, deviation = max(grid, key=lambda point: log_likelihood(*point))
    assert deviation == pytest.approx(measuring()["error"]["eye"]["population_sd_log"], abs=0.03)


def test_every_block_of_the_reliability_file_states_its_source():
    data = tomllib.loads((DATA / "reliability.toml").read_text(encoding="utf-8"))
    blocks = [data["length"], data["puppy"], *data["group"].values(), measuring(), *measuring()["error"].values()]
    assert all(len(block["source"]) >= 10 for block in blocks)
