"""Photos as the ensemble is fitted on them: evidence out of fold, labels, and what owners answer."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import GroupKFold

from coatclass import answers as questionnaire
from coatclass.answers import Answers
from coatclass.ensemble.fusion import answer_table
from coatclass.ensemble.members import N_BANDS, N_CATEGORIES, Array
from coatclass.errors import InputError
from coatclass.taxonomy import BANDS, CATEGORIES
from training.places import photos_folder

__all__ = [
    "UNKNOWN",
    "VISIBLE",
    "Dataset",
    "Ints",
    "Rows",
    "answers_of",
    "askable",
    "count_rows",
    "cross_counted",
    "draw_dogs",
    "draw_owners",
    "known_bands",
    "load",
    "manifest_rows",
    "observed",
    "observed_answers_of",
    "observed_rows",
    "split_groups",
    "tables",
    "unseen_file",
]

UNKNOWN = -1
VISIBLE = tuple(spec.id for spec in questionnaire.questions() if spec.id in questionnaire.visible())
"""The questions that an eye answers from a picture, in the questionnaire's order."""
_BAND_LETTERS = "ABCD"  # the manifest's letters, shortest first; U is not visible
_PARTLY_VISIBLE = 0.5  # weight of an answer where the picture shows several dogs or part of one
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Dataset:
    """N photos. Labels index CATEGORIES and BANDS; UNKNOWN (-1) where nobody could tell.

    ``votes`` (N, 7): shares of the annotators, two to four, for each category.

    ``category_by``, ``band_by`` (N, 2): each annotator's label (the first one's twice where there was only one).
    ``confidence`` (N,): the less sure annotator's, 1 to 3. ``usable``: one dog, coat judgeable.
    ``fold``: the fold that the photo was held out in, -1 where the released network read it (test).
    ``breed_known``: whether the network that gave the ordinary evidence was trained on another photo of the breed.
    ``observed`` (N, 3): what an observer answered to the questions VISIBLE, as places in their outcomes;
    ``observed_weight`` (N,): 1, or less where the picture shows several dogs or a part of one.
    ``unseen_*``: evidence from networks that never saw the dog's breed, where ``unseen_fold`` >= 0.
    """

    photo_id: NDArray[np.str_]
    fold: Ints
    unseen_fold: Ints
    split: NDArray[np.str_]
    group: NDArray[np.str_]
    breed: NDArray[np.str_]
    category: Ints
    band: Ints
    votes: Floats
    category_by: Ints
    band_by: Ints
    confidence: Floats
    usable: NDArray[np.bool_]
    texture: Floats
    kinship: Floats
    band_evidence: Floats
    outline: Floats
    dog_probability: Floats
    unfamiliarity: Floats
    dog_share: Floats
    unseen_texture: Floats
    unseen_kinship: Floats
    unseen_band: Floats
    unseen_outline: Floats
    unseen_unfamiliarity: Floats
    breed_known: NDArray[np.bool_]
    observed: Ints
    observed_weight: Floats

    def __len__(self) -> int:
        return len(self.photo_id)

    def take(self, chosen: NDArray[np.bool_] | Ints) -> Dataset:
        """The chosen photos."""
        return replace(self, **{name: value[chosen] for name, value in vars(self).items()})

    def features(self, floor: float, *, unseen: bool = False) -> Floats:
        """What the members see, (N, 26)."""
        from coatclass.ensemble.fusion import photo_features

        if unseen:
            scores = self.unseen_texture, self.unseen_kinship, self.unseen_band, self.unseen_outline
            return photo_features(scores, self.unseen_unfamiliarity, floor)
        scores = self.texture, self.kinship, self.band_evidence, self.outline
        return photo_features(scores, self.unfamiliarity, floor)


def manifest_rows() -> dict[str, dict[str, str]]:
    """The photos' labels by photo_id, from the folder that COATCLASS_PHOTOS names."""
    return _table(photos_folder() / "manifest.csv")


@cache
def _table(path: Path) -> dict[str, dict[str, str]]:
    if not path.exists():
        raise InputError(str(path), "does not exist.", "Set COATCLASS_PHOTOS to the folder of the labelled photos.")
    with path.open(newline="", encoding="utf-8") as stream:
        return {row["photo_id"]: row for row in csv.DictReader(stream)}


def load(evidence: Path) -> Dataset:
    """Join the evidence file with the labels.

    Raises:
        InputError: if the file is missing or lacks an array.
    """
    unseen = unseen_file(evidence)
    seen_arrays, unseen_arrays = _read(evidence), _read(unseen)
    if not np.array_equal(seen_arrays["photo_id"], unseen_arrays["photo_id"]):
        raise InputError(str(unseen), f"names other photos than {evidence.name}.", _AGAIN)
    read: dict[str, Any] = {name: seen_arrays[key] for name, key in _SEEN.items()}
    read |= {name: unseen_arrays[key] for name, key in _UNSEEN.items()}
    labels = manifest_rows()
    rows = [labels[str(photo)] for photo in read["photo_id"]]
    second = [row["category_2"] or row["category_1"] for row in rows]
    second_band = [row["band_2"] or row["band_1"] for row in rows]
    return Dataset(
        **read,
        split=np.array([row["split"] for row in rows]),
        group=np.array([row["group"] for row in rows]),
        breed=np.array([row["breed"] for row in rows]),
        category=np.array([CATEGORIES.index(row["category"]) for row in rows]),
        band=np.array([_band(row["band"]) for row in rows]),
        votes=_votes(rows),
        category_by=np.array(
            [
                [CATEGORIES.index(row["category_1"]), CATEGORIES.index(two)]
                for row, two in zip(rows, second, strict=True)
            ]
        ),
        band_by=np.array([[_band(row["band_1"]), _band(two)] for row, two in zip(rows, second_band, strict=True)]),
        confidence=np.array([min(float(row["confidence_1"]), float(row["confidence_2"] or 3)) for row in rows]),
        usable=np.array([row["usable"] == "y" for row in rows]),
        breed_known=_breed_known([row["breed"] for row in rows], read["fold"].tolist()),
        **_observed(read["photo_id"].tolist()),
    )


def observed_rows() -> dict[str, dict[str, str]]:
    """What an observer answered from each picture, by photo_id."""
    return _table(photos_folder() / "observed_answers.csv")


def observed_answers_of(photo_id: str) -> Answers | None:
    """What the observer answered from one picture; None if nothing could be seen."""
    row = observed_rows()[photo_id]
    said = {question: _answer(question, row[question]) for question in VISIBLE if row[question]}
    return Answers(**said) if said else None


def _answer(question: str, text: str) -> Any:
    return next(answer for answer in questionnaire.outcomes(question) if str(answer).lower() == text)


def _observed(photos: list[str]) -> dict[str, Any]:
    rows = observed_rows()
    missing = [photo for photo in photos if photo not in rows]
    if missing:
        raise InputError("observed_answers.csv", f"lacks {len(missing)} photos, {missing[0]} first.", "Get it anew.")

    def place(question: str, text: str) -> int:
        words = [str(answer).lower() for answer in questionnaire.outcomes(question)]
        return words.index(text) if text else UNKNOWN

    answered = [[place(question, rows[photo][question]) for question in VISIBLE] for photo in photos]
    weights = [1.0 if rows[photo]["visible"] == "y" else _PARTLY_VISIBLE for photo in photos]
    return {"observed": np.array(answered), "observed_weight": np.array(weights)}


def _votes(rows: list[dict[str, str]]) -> Floats:
    """Shares (N, 7) of all annotators' votes, each counting one."""
    path = photos_folder() / "more_opinions.csv"
    further: dict[str, list[str]] = {}
    if path.exists():
        with path.open(newline="", encoding="utf-8") as stream:
            for row in csv.DictReader(stream):
                further.setdefault(row["photo_id"], []).append(row["category"])
    shares = np.zeros((len(rows), len(CATEGORIES)))
    for place, row in enumerate(rows):
        for category in (row["category_1"], row["category_2"], *further.get(row["photo_id"], ())):
            if category:
                shares[place, CATEGORIES.index(category)] += 1
    votes: Floats = shares / shares.sum(axis=1, keepdims=True)
    return votes


def _breed_known(breeds: list[str], folds: list[int]) -> NDArray[np.bool_]:
    """Whether a breed has photos in another fold than this one's (-1 is no fold), (N,)."""
    folds_of: dict[str, set[int]] = {}
    for breed, fold in zip(breeds, folds, strict=True):
        folds_of.setdefault(breed, set()).add(fold)
    pairs = zip(breeds, folds, strict=True)
    return np.array([bool(folds_of[breed] - {fold, -1}) for breed, fold in pairs])


def unseen_file(evidence: Path) -> Path:
    """The file beside it with what networks say that never saw the breed."""
    return evidence.with_name(f"{evidence.stem}_unseen_breeds.npz")


_AGAIN = "Make it again with: python -m training image"
_SEEN = {
    "photo_id": "photo_id",
    "fold": "fold",
    "texture": "texture",
    "kinship": "kinship",
    "band_evidence": "band",
    "outline": "outline",
    "dog_probability": "dog_probability",
    "unfamiliarity": "unfamiliarity",
    "dog_share": "dog_share",
}
_UNSEEN = {
    "unseen_fold": "fold",
    "unseen_texture": "texture",
    "unseen_kinship": "kinship",
    "unseen_band": "band",
    "unseen_outline": "outline",
    "unseen_unfamiliarity": "unfamiliarity",
}


def _read(path: Path) -> dict[str, Any]:
    if not path.exists():
        raise InputError(str(path), "does not exist.", "Make it with: python -m training image")
    with np.load(path, allow_pickle=False) as arrays:
        missing = {*_SEEN.values()} - set(arrays.files)
        if missing:
            raise InputError(str(path), f"lacks {', '.join(sorted(missing))}.", _AGAIN)
        numbers = {key: arrays[key].astype(np.float64) for key in _SEEN.values() if key not in ("photo_id", "fold")}
        return {"photo_id": arrays["photo_id"], "fold": arrays["fold"], **numbers}


def _band(letter: str) -> int:
    return _BAND_LETTERS.index(letter) if letter in _BAND_LETTERS[: len(BANDS)] else UNKNOWN


def split_groups(data: Dataset, shares: dict[str, float], seed: int) -> dict[str, NDArray[np.bool_]]:
    """Part the pool (train and val) into disjoint roles by group, each category spread over all roles by its share.

    Returns:
        A mask (N,) per role; photos of the test split are in none.
    """
    rng = np.random.default_rng(seed)
    pool = data.split != "test"
    role_of: dict[str, str] = {}
    names, cuts = list(shares), np.cumsum(list(shares.values()))
    for category in range(len(CATEGORIES)):
        members = pool & (data.category == category)
        groups = [group for group in sorted(set(data.group[members].tolist())) if group not in role_of]
        shuffled = rng.permutation(groups).tolist()
        for place, group in enumerate(shuffled):
            role_of[group] = names[int(np.searchsorted(cuts, (place + 0.5) / len(shuffled)))]
    roles = np.array([role_of.get(group, "") for group in data.group.tolist()])
    return {name: pool & (roles == name) for name in names}


Rows = Mapping[str, Mapping[Any, Array]]
"""P(answer | category, band) by question and answer, (7, 4)."""


# --- rows counted on observed answers -------------------------------------------------------------------------------


def count_rows(data: Dataset, worth: float) -> Rows:
    """Rows of the visible questions: what was counted, shrunk to what is stated.

    Two levels of Dirichlet shrinkage (Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 5): each category's row lies
    between the stated one and the counts of the category; each length of a category, between that and its own counts.
    ``worth`` is what the upper level weighs on each, in dogs. Pictures that show several dogs or a part count half.
    """
    return {question: _counted(data, place, question, worth) for place, question in enumerate(VISIBLE)}


def _counted(data: Dataset, place: int, question: str, worth: float) -> dict[Any, Array]:
    outcomes = questionnaire.outcomes(question)
    stated = np.array([questionnaire.stated(question, answer) for answer in outcomes])  # (K, 7, 4)
    counts, of_category = np.zeros_like(stated), np.zeros(stated.shape[:2])
    answered = np.flatnonzero(data.observed[:, place] != UNKNOWN)
    given = data.observed[answered, place]
    np.add.at(of_category, (given, data.category[answered]), data.observed_weight[answered])
    measured = answered[data.band[answered] != UNKNOWN]
    cells = (data.observed[measured, place], data.category[measured], data.band[measured])
    np.add.at(counts, cells, data.observed_weight[measured])
    lengths = counts.sum(axis=0) + 0.5
    typical = (stated * (lengths / lengths.sum(axis=1, keepdims=True))).sum(axis=2)  # (K, 7)
    category = (worth * typical + of_category) / (worth + of_category.sum(axis=0))
    shifted = stated * (category / typical)[:, :, None]
    shifted /= shifted.sum(axis=0)
    rows = (worth * shifted + counts) / (worth + counts.sum(axis=0))
    return dict(zip(outcomes, rows, strict=True))


def cross_counted(pool: Dataset, worth: float, folds: int = 5) -> list[Rows]:
    """For each dog (N,) rows that were counted without any dog of its breed."""
    rows: list[Rows] = [{}] * len(pool)
    several = len(set(pool.breed.tolist())) >= folds
    for learn, held_out in GroupKFold(folds).split(pool.texture, groups=pool.breed if several else pool.group):
        counted = count_rows(pool.take(learn), worth)
        for row in held_out.tolist():
            rows[row] = counted
    return rows


# --- answers --------------------------------------------------------------------------------------------------------


def observed(data: Dataset, row: int) -> dict[str, Any]:
    """What the observer answered about one dog; what can't be seen is missing."""
    return {
        question: questionnaire.outcomes(question)[data.observed[row, place]]
        for place, question in enumerate(VISIBLE)
        if data.observed[row, place] != UNKNOWN
    }


def askable() -> tuple[str, ...]:
    """The questions that can be simulated: those with a table P(answer | category, band). Not breed and length.

    The annotators knew the recorded breed, and the bands are their labels: simulating either would leak the truth.
    """
    return tuple(
        question.id
        for question in questionnaire.questions()
        if questionnaire.outcomes(question.id) and question.id != "trunk_length_mm"
    )


def answers_of(
    category: int,
    band: int,
    rng: np.random.Generator,
    *,
    seen: Mapping[str, Any] | None = None,
    error_rate: float = 0.0,
    ask: Sequence[str] = (),
) -> Answers:
    """One owner: the answers ``seen``, as they are, and simulated ones to the questions ``ask``."""
    drawn = questionnaire.simulate(CATEGORIES[category], BANDS[band], rng, error_rate=error_rate, ask=ask)
    return drawn.model_copy(update=dict(seen or {}))


def tables(owners: Sequence[Answers], rows: Sequence[Rows] | None = None) -> tuple[Array, Array, Array]:
    """Log likelihoods (N, 7, 4) of the answers, and of those among them that a photo shows as well, by these rows and
    by stated ones.

    ``rows`` (N,) stand in for the released ones; an owner who answered nothing gives zeros.
    """
    told, visible, stated = (np.zeros((len(owners), N_CATEGORIES, N_BANDS)) for _ in range(3))
    for place, answers in enumerate(owners):
        said = questionnaire.evidence(answers, likelihood=_likelihood(rows[place] if rows else {}))
        told[place] = answer_table(said.log_likelihood)
        if said.visible is not None and said.stated_visible is not None:
            visible[place], stated[place] = answer_table(said.visible), answer_table(said.stated_visible)
    return told, visible, stated


def _likelihood(rows: Rows) -> Callable[[str, Any], Any]:
    def look_up(question: str, answer: Any) -> Any:
        counted = rows.get(question, {}).get(answer)
        return questionnaire.likelihood(question, answer) if counted is None else counted.tolist()

    return look_up


def known_bands(data: Dataset, rng: np.random.Generator) -> Ints:
    """Bands (N,); where nobody saw one, it is drawn from the other photos of the category."""
    bands = data.band.copy()
    for row in np.flatnonzero(bands == UNKNOWN):
        bands[row] = rng.choice(data.band[(data.category == data.category[row]) & (data.band != UNKNOWN)])
    return bands


def draw_dogs(n: int, rng: np.random.Generator, prior: Array) -> tuple[Ints, Ints]:
    """Categories and bands (N,) of dogs drawn from the prior, log P(category, band) (7, 4)."""
    cells = rng.choice(prior.size, size=n, p=np.exp(prior).ravel() / np.exp(prior).sum())
    return np.divmod(cells, N_BANDS)


def draw_owners(
    n: int, rng: np.random.Generator, error_rates: Sequence[float], answered: tuple[float, float]
) -> tuple[Array, list[tuple[str, ...]]]:
    """Owners: an error rate each, and a random share of the questions (at least one)."""
    questions = askable()
    rates = rng.choice(np.asarray(error_rates, dtype=np.float64), size=n)
    asked = []
    for share in rng.uniform(answered[0], answered[1], size=n):
        count = max(1, round(float(share) * len(questions)))
        chosen = set(rng.choice(len(questions), size=count, replace=False).tolist())
        asked.append(tuple(question for place, question in enumerate(questions) if place in chosen))
    return rates, asked
