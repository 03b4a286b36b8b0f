"""Figures by subgroup, with answers, on degraded pictures, and where the annotators disagreed.

Simulated answers are drawn from the tables of ``coatclass/answers``; their numbers are called simulated everywhere.
Worse pictures follow the convention of Hendrycks and Dietterich 2019 (arXiv:1903.12261): each corruption at severities
1 to 5 on the same pictures. Strengths are ours, stated in the table below: those of that paper are for 224-pixel crops.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from io import BytesIO
from typing import Any

import numpy as np
from PIL import Image, ImageFilter

from coatclass import answers as questionnaire
from coatclass import breeds, photo
from coatclass.answers import Answers
from coatclass.contract import CoatEstimate
from coatclass.errors import PhotoError
from coatclass.estimating import estimate
from coatclass.reports.evaluation import metrics
from coatclass.reports.evaluation.cases import (
    FEWEST,
    UNKNOWN,
    LabelledPhoto,
    LabelledPhotos,
    look_at_one,
    with_decisions,
)
from coatclass.reports.evaluation.figures import calibration, category_figures, counted
from coatclass.reports.evaluation.metrics import Figure, bootstrap
from coatclass.resources import read_csv, released
from coatclass.taxonomy import BANDS, CATEGORIES

ERROR_RATES = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4)
QUESTION_ERROR_RATE = 0.1
DRAWS = 3  # of simulated owners: accuracy varies between single draws by as much as an answer adds
_LENGTH = "trunk_length_mm"
_GROSS_LENGTH_ERRORS = 0.02  # rulers err less often than memories: as in the questionnaire's own table


def asked() -> tuple[str, ...]:
    """The simulated questions, without the measured length, which would give the label away."""
    return tuple(q.id for q in questionnaire.questions() if questionnaire.outcomes(q.id) and q.id != _LENGTH)


Scores = dict[str, Callable[[Any], float]]


def _figures(cases: LabelledPhotos, resamples: int) -> dict[str, Figure]:
    return _mean_figures([cases], resamples)


def _mean_figures(draws: Sequence[LabelledPhotos], resamples: int) -> dict[str, Figure]:
    """The mean over draws of answers for the same dogs; intervals by resampling dogs."""
    first = draws[0]
    figures = bootstrap(_mean([_of_category(one) for one in draws]), first.judged.groups, resamples=resamples)
    if not first.enough_bands:
        return figures
    return figures | bootstrap(_mean([_of_band(one) for one in draws]), first.measured.groups, resamples=resamples)


def _mean(scores: Sequence[Scores]) -> Scores:
    def of(name: str) -> Callable[[Any], float]:
        return lambda rows: sum(one[name](rows) for one in scores) / len(scores)

    return {name: of(name) for name in scores[0]}


def _of_category(cases: LabelledPhotos) -> Scores:
    truth, p = cases.judged.truth, cases.judged.p_category
    guess, sure = p.argmax(axis=1), p.max(axis=1)
    right = guess == truth
    return {
        "accuracy": lambda r: metrics.accuracy(truth[r], guess[r]),
        "log_loss": lambda r: metrics.log_loss(truth[r], p[r]),
        "ece_15": lambda r: metrics.expected_calibration_error(sure[r], right[r]),
    }


def _of_band(cases: LabelledPhotos) -> Scores:
    band, b = cases.measured.band, cases.measured.p_band
    return {
        "band_exact": lambda r: metrics.accuracy(band[r], b[r].argmax(axis=1)),
        "band_log_loss": lambda r: metrics.log_loss(band[r], b[r]),
    }


def _spread(draws: Sequence[LabelledPhotos]) -> dict[str, float]:
    """Standard deviation over draws, by figure."""
    scores = [_of_category(one) | (_of_band(one) if one.enough_bands else {}) for one in draws]
    return {name: float(np.std([one[name](slice(None)) for one in scores], ddof=1)) for name in scores[0]}


def _simulated(case: LabelledPhoto, rng: np.random.Generator, error_rate: float, questions: Sequence[str]) -> Answers:
    return questionnaire.simulate(
        CATEGORIES[case.category], BANDS[case.band], rng, error_rate=error_rate, ask=tuple(questions)
    )


def _estimates(cases: LabelledPhotos, answers: Sequence[Answers], *, with_photo: bool) -> list[CoatEstimate | None]:
    estimates: list[CoatEstimate | None] = []
    for case, said in zip(cases.rows, answers, strict=True):
        photos = [case.evidence] if with_photo and case.evidence else []
        estimates.append(estimate(photos, said).coat)
    return estimates


def _simulable(cases: LabelledPhotos) -> LabelledPhotos:
    """Judged dogs whose length is known: answers can only be simulated for those."""
    return cases.judged.where(lambda case: case.band != UNKNOWN)


def answer_sweep(cases: LabelledPhotos, *, seed: int = 0, resamples: int = 200, draws: int = DRAWS) -> dict[str, Any]:
    """SIMULATED: answers alone and photo with answers, as more and more are wrong; the mean of several draws."""
    subjects = _simulable(cases)
    photo = [estimate([case.evidence]).coat if case.evidence else None for case in subjects.rows]
    rows = []
    for rate in ERROR_RATES:
        rng = np.random.default_rng([seed, round(100 * rate)])
        drawn = [[_simulated(case, rng, rate, asked()) for case in subjects.rows] for _ in range(draws)]
        for regime, with_photo in (("answers", False), ("both", True)):
            told = [subjects.estimated(_estimates(subjects, said, with_photo=with_photo)) for said in drawn]
            row: dict[str, Any] = {"regime": regime, "error_rate": rate, "spread": _spread(told)}
            rows.append(row | _mean_figures(told, resamples))
    return {
        "simulated": True,
        "draws": draws,
        "n": len(subjects),
        "photo": _figures(subjects.estimated(photo), resamples),
        "rows": rows,
    }


def reliability(cases: LabelledPhotos, *, seed: int = 0) -> dict[str, Any]:
    """Reliability diagrams of answers alone and photo with answers: SIMULATED answers, a tenth of them wrong."""
    subjects = _simulable(cases)
    rng = np.random.default_rng(seed)
    answers = [_simulated(case, rng, QUESTION_ERROR_RATE, asked()) for case in subjects.rows]
    return {"simulated": True, "error_rate": QUESTION_ERROR_RATE, "n": len(subjects)} | _reliable(subjects, answers)


def own_reliability(cases: LabelledPhotos) -> dict[str, Any] | None:
    """The same with the cases' own answers; None if nobody answered."""
    told = _answered(cases)
    if not len(told):
        return None
    return {"simulated": False, "n": len(told)} | _reliable(told, [case.answers or Answers() for case in told.rows])


def _reliable(cases: LabelledPhotos, answers: Sequence[Answers]) -> dict[str, Any]:
    return {
        regime: calibration(cases.estimated(_estimates(cases, answers, with_photo=with_photo)))
        for regime, with_photo in (("answers", False), ("both", True))
    }


def _answered(cases: LabelledPhotos) -> LabelledPhotos:
    return cases.judged.where(lambda case: case.answers is not None)


def question_worth(cases: LabelledPhotos, *, seed: int = 0, resamples: int = 1) -> dict[str, Any]:
    """SIMULATED: what each question alone adds to the photo, and what is lost when it alone is left out.

    Log loss in nats, a tenth of the answers wrong; the same simulated owners throughout. The measured length is
    included here as one question more, with its own measuring error.
    """
    subjects = _simulable(cases)
    everything = asked()
    rng = np.random.default_rng(seed)
    told = [_simulated(case, rng, QUESTION_ERROR_RATE, everything) for case in subjects.rows]
    lengths = [_simulated(case, rng, _GROSS_LENGTH_ERRORS, (_LENGTH,)) for case in subjects.rows]

    def losses(answers: Sequence[Answers]) -> tuple[float, float]:
        figures = _figures(subjects.estimated(_estimates(subjects, answers, with_photo=True)), resamples)
        return figures["log_loss"].value, figures["band_log_loss"].value

    photo, all_told = losses([Answers()] * len(subjects)), losses(told)
    rows = []
    for name in everything:
        added = losses([Answers(**{name: getattr(said, name)}) for said in told])
        dropped = losses([said.model_copy(update={name: None}) for said in told])
        rows.append({"question": name, "category_gain": photo[0] - added[0], "band_gain": photo[1] - added[1]})
        rows[-1] |= {"category_loss_without": dropped[0] - all_told[0], "band_loss_without": dropped[1] - all_told[1]}
    added = losses(lengths)
    rows.append({"question": _LENGTH, "category_gain": photo[0] - added[0], "band_gain": photo[1] - added[1]})
    return {
        "simulated": True,
        "n": len(subjects),
        "error_rate": QUESTION_ERROR_RATE,
        "photo_log_loss": photo[0],
        "all_answers_log_loss": all_told[0],
        "rows": sorted(rows, key=lambda row: -row["category_gain"]),
    }


def own_answers(cases: LabelledPhotos, *, resamples: int = 1000) -> dict[str, Any] | None:
    """The cases' own answers: answers alone, and with the photo; None if nobody answered."""
    told = _answered(cases)
    if not len(told):
        return None
    answers = [case.answers or Answers() for case in told.rows]
    return {
        "n": len(told),
        "photo": _figures(told, resamples),
        "answers": _figures(told.estimated(_estimates(told, answers, with_photo=False)), resamples),
        "both": _figures(told.estimated(_estimates(told, answers, with_photo=True)), resamples),
    }


# Limits of lightness: CIE L* runs from 0 (black) to 100 (white). Our decision.
_BLACK, _WHITE = 25.0, 70.0
_DARK_PICTURE, _BRIGHT_PICTURE = 40.0, 60.0
_SMALL_PICTURE_PX = 224.0
_SMALL_DOG, _LARGE_DOG = 0.2, 0.5
_PUPPY_MONTHS = 12
TRAITS_TOLD = (
    f"Lightness is CIE L*, 0 to 100: a coat is black or nearly under {_BLACK:g} and white or nearly from {_WHITE:g} "
    f"(median over the dog), a picture dim under {_DARK_PICTURE:g} and bright from {_BRIGHT_PICTURE:g} (mean)."
)
_KNOWN = (
    "the image model was trained on it",
    "ImageNet names it, untrained",
    "neither trained on nor named by ImageNet",
)


def _trait(name: str, low: float, high: float) -> Callable[[LabelledPhoto], bool]:
    return lambda case: low <= case.traits.get(name, float("nan")) < high


def _subgroups() -> list[tuple[str, str, Callable[[LabelledPhoto], bool]]]:
    everything = float("inf")
    return [
        ("coat lightness", "black or nearly", _trait("coat_lightness", 0, _BLACK)),
        ("coat lightness", "between", _trait("coat_lightness", _BLACK, _WHITE)),
        ("coat lightness", "white or nearly", _trait("coat_lightness", _WHITE, everything)),
        ("picture", "short side under 224 px", _trait("short_side_px", 0, _SMALL_PICTURE_PX)),
        ("picture", "short side 224 px or more", _trait("short_side_px", _SMALL_PICTURE_PX, everything)),
        ("light", "dim picture", _trait("picture_lightness", 0, _DARK_PICTURE)),
        ("light", "middling", _trait("picture_lightness", _DARK_PICTURE, _BRIGHT_PICTURE)),
        ("light", "bright picture", _trait("picture_lightness", _BRIGHT_PICTURE, everything)),
        ("dog in the picture", "under 20 %", _trait("dog_share", 0, _SMALL_DOG)),
        ("dog in the picture", "20 to 50 %", _trait("dog_share", _SMALL_DOG, _LARGE_DOG)),
        ("dog in the picture", "half or more", _trait("dog_share", _LARGE_DOG, everything)),
        ("what is shown", "one dog, coat judgeable", lambda case: case.usable),
        ("what is shown", "head or part of the coat only, or several dogs", lambda case: not case.usable),
        ("age", "puppy (under 12 months, as answered)", lambda case: _age(case) < _PUPPY_MONTHS),
    ]


def _age(case: LabelledPhoto) -> float:
    age = case.answers.age_months if case.answers else None
    return float("inf") if age is None else float(age)


def subgroups(cases: LabelledPhotos, *, resamples: int = 1000) -> list[dict[str, Any]]:
    """Accuracy, log loss and verdicts within each subgroup; too few cases are counted, not judged."""
    sources = sorted({case.source for case in cases.rows if case.source})
    by_source = [("source", name, lambda case, name=name: case.source == name) for name in sources]
    rows = []
    for kind, name, keep in (*_subgroups(), *_by_breed(cases), *by_source):
        part = cases.judged.where(keep)
        row: dict[str, Any] = {"kind": kind, "name": name, "n": len(part)}
        if len(part) >= FEWEST:
            row |= _short_figures(part, resamples)
        rows.append(row)
    return rows


def _by_breed(cases: LabelledPhotos) -> list[tuple[str, str, Callable[[LabelledPhoto], bool]]]:
    """Labels for what the image model may have learned of each breed; empty where no breeds are named."""
    known = {name: breed_kind(name) for name in {case.breed for case in cases.rows if case.breed}}

    def keep(how: str) -> Callable[[LabelledPhoto], bool]:
        return lambda case: known.get(case.breed) == how

    return [("breed", how, keep(how)) for how in _KNOWN] if known else []


@cache
def breed_kind(name: str) -> str:
    """What the image model may have learned of a breed."""
    breed = breeds.find(name).id
    trained, imagenet, neither = _KNOWN
    if breed in _trained_on():
        return trained
    return imagenet if breeds.named_by_imagenet(name) else neither


@cache
def _trained_on() -> frozenset[str]:
    """Ids of the breeds in the photos that the image model learned from (train) or was chosen by (val)."""
    rows = read_csv(released("datasets/labels.csv"))
    return frozenset(row["breed_id"] for row in rows if row["split"] in ("train", "val"))


def _short_figures(part: LabelledPhotos, resamples: int) -> dict[str, Any]:
    wrong = part.p_category.argmax(axis=1) != part.truth
    found: dict[str, Any] = dict(category_figures(part, only=("accuracy", "log_loss"), resamples=resamples))
    settled = part.settled
    return found | {"settled": float(settled.mean()), "wrong_among_settled": int(wrong[settled].sum())}


def by_confidence(cases: LabelledPhotos, *, resamples: int = 1000) -> list[dict[str, Any]]:
    """Accuracy by the less sure annotator's confidence: the labels' own doubt; scores also against both their votes."""
    rows = []
    for level in sorted({case.confidence for case in cases.judged.rows if case.confidence is not None}, reverse=True):
        part = cases.judged.where(lambda case, level=level: case.confidence == level)  # type: ignore[misc]
        rows.append({"confidence": level, "n": len(part)} | _short_figures(part, resamples))
        rows[-1] |= against_annotators(part, resamples=resamples)
    return rows


def against_annotators(part: LabelledPhotos, *, resamples: int = 1000) -> dict[str, Figure]:
    """Log loss and Brier score against both annotators' votes, half a case each where they split."""
    return category_figures(part, only=("log_loss_against_annotators", "brier_against_annotators"), resamples=resamples)


def annotators(cases: LabelledPhotos, *, resamples: int = 1000) -> dict[str, Any] | None:
    """Agreement of the model with each annotator, beside theirs with each other; None without two annotators."""
    judged = cases.judged.where(lambda case: UNKNOWN not in case.categories_by)
    measured = cases.measured.where(lambda case: UNKNOWN not in case.bands_by)
    if not len(judged):
        return None
    labels = np.array([case.categories_by for case in judged.rows])
    said = judged.p_category.argmax(axis=1)

    def agreement(
        pairs: dict[str, tuple[Any, Any]], classes: int, groups: list[str], quadratic: bool
    ) -> dict[str, Figure]:
        figures = {
            name: (lambda r, a=first, b=second: metrics.kappa(a[r], b[r], classes, quadratic=quadratic))
            for name, (first, second) in pairs.items()
        }
        return bootstrap(figures, groups, resamples=resamples)

    def pairs(labels: Any, model: Any) -> dict[str, tuple[Any, Any]]:
        one, two = labels[:, 0], labels[:, 1]
        return {
            "first and second annotator": (one, two),
            "model and first": (model, one),
            "model and second": (model, two),
        }

    split = judged.where(lambda case: case.categories_by[0] != case.categories_by[1])
    section: dict[str, Any] = {
        "category_kappa": agreement(pairs(labels, said), len(CATEGORIES), judged.groups, False),
        "where_annotators_split": _where_split(split, resamples),
    }
    if len(measured) >= FEWEST:
        rulers, length = np.array([case.bands_by for case in measured.rows]), measured.p_band.argmax(axis=1)
        kappa = agreement(pairs(rulers, length), len(BANDS), measured.groups, True)
        section["band_quadratic_weighted_kappa"] = kappa
    return section


def _where_split(split: LabelledPhotos, resamples: int) -> dict[str, Any]:
    """Border cases: whether the first choice is one of the two labels, and how the probabilities score against both.

    No log loss against both can be below log 2, and no Brier score below 0: that of giving each label a half.
    """
    if not len(split):
        return {"n": 0}
    p = split.p_category
    labels = np.array([case.categories_by for case in split.rows])
    best = p.argmax(axis=1)
    rows = np.arange(len(split))
    return {
        "n": len(split),
        "first_choice_is_one_of_the_two": float((labels == best[:, None]).any(axis=1).mean()),
        "probability_of_the_two_together": float((p[rows, labels[:, 0]] + p[rows, labels[:, 1]]).mean()),
        "mean_sureness": float(p.max(axis=1).mean()),
        **against_annotators(split, resamples=resamples),
        "photos": [_split_row(case, *of) for case, *of in zip(split.rows, p, split.shares, strict=True)],
    }


def _split_row(case: LabelledPhoto, p: Any, shares: Any) -> dict[str, Any]:
    return {
        "file": case.file,
        "labels": [str(CATEGORIES[label]) for label in case.categories_by],
        "probabilities": [float(p[label]) for label in case.categories_by],
        "said": str(CATEGORIES[int(p.argmax())]),
        "verdict": str(case.decision.verdict) if case.decision else None,
        "log_loss": metrics.soft_log_loss(shares[None], p[None]),
        "brier": metrics.soft_brier_score(shares[None], p[None]),
    }


_RESAMPLES = 500  # of groups, behind each interval
_SIDE = 256  # strengths are for pictures of this short side; larger ones are reduced to it first

# One row for each corruption: what its strength means, and the five values.
CORRUPTIONS: dict[str, tuple[str, tuple[float, ...]]] = {
    "blur": ("radius of a Gaussian blur, px", (0.7, 1.2, 2.0, 3.0, 4.5)),
    "low light": ("brightness that is left, with the noise that comes with it", (0.8, 0.65, 0.5, 0.35, 0.2)),
    "jpeg": ("JPEG quality", (40, 25, 15, 10, 6)),
    "noise": ("standard deviation of added noise, of 255", (8, 16, 26, 38, 55)),
    "small dog": ("side of the picture within a grey frame, share", (0.8, 0.65, 0.5, 0.38, 0.28)),
    "rotation": ("degrees", (8, 16, 30, 50, 90)),
}
_GREY = (128, 128, 128)


def corrupt(image: Image.Image, kind: str, strength: float, rng: np.random.Generator) -> Image.Image:
    """One picture made worse, at the same size."""
    if kind == "blur":
        return image.filter(ImageFilter.GaussianBlur(strength))
    if kind == "jpeg":
        buffer = BytesIO()
        image.save(buffer, "JPEG", quality=int(strength))
        return Image.open(buffer).convert("RGB")
    if kind == "rotation":
        return image.rotate(strength, resample=Image.Resampling.BILINEAR, fillcolor=_GREY)
    if kind == "small dog":
        frame = Image.new("RGB", image.size, _GREY)
        small = image.resize((max(8, round(image.width * strength)), max(8, round(image.height * strength))))
        frame.paste(small, ((image.width - small.width) // 2, (image.height - small.height) // 2))
        return frame
    pixels = np.asarray(image, dtype=np.float64)
    if kind == "noise":
        pixels = pixels + rng.normal(0, strength, pixels.shape)
    elif kind == "low light":
        full = 255 * strength * (pixels / 255) ** 1.3
        pixels = full + rng.normal(0, 1, pixels.shape) * np.sqrt(full.clip(0)) * 0.8
    else:
        raise ValueError(f"there is no corruption called {kind}")
    return Image.fromarray(pixels.clip(0, 255).astype(np.uint8))


def subset(cases: LabelledPhotos, size: int, seed: int = 0) -> LabelledPhotos:
    """A stratified sample of the judged cases: each category keeps its share, up to rounding."""
    return drawn(cases.judged, size, seed)


def drawn(cases: LabelledPhotos, size: int, seed: int = 0) -> LabelledPhotos:
    """A stratified sample of labelled cases, looked at or not: each category keeps its share, up to rounding."""
    if len(cases) <= size:
        return cases
    rng = np.random.default_rng(seed)
    places: list[int] = []
    for label in np.unique(cases.truth):
        of = rng.permutation(np.flatnonzero(cases.truth == label))
        places += of[: max(1, round(size * len(of) / len(cases)))].tolist()
    return LabelledPhotos(tuple(cases.rows[place] for place in sorted(places)))


def robustness(cases: LabelledPhotos, *, seed: int = 0, advance: Callable[[], None] = lambda: None) -> dict[str, Any]:
    """Accuracy, sureness, share settled and wrong among those, by corruption and severity (0: untouched).

    Each picture goes through the whole pipeline as a file, so that refusals and doubts about its quality count too.
    """
    opened = [(case, image) for case in cases.rows if (image := _open(case)) is not None]
    clean = _row(0, [_seen(case, image) for case, image in opened])
    curves = {}
    for kind, (unit, strengths) in CORRUPTIONS.items():
        rows = [clean]
        for severity, strength in enumerate(strengths, start=1):
            rng = np.random.default_rng([seed, severity])
            rows.append(_row(severity, [_seen(case, corrupt(image, kind, strength, rng)) for case, image in opened]))
            rows[-1]["strength"] = strength
            advance()
        curves[kind] = {"unit": unit, "rows": rows}
    return {"n": len(opened), "short_side_px": _SIDE, "curves": curves}


def _open(case: LabelledPhoto) -> Image.Image | None:
    try:
        image = photo.load(case.path, name=case.file).image
    except PhotoError:
        return None
    scale = _SIDE / min(image.size)
    return image if scale >= 1 else image.resize((round(image.width * scale), round(image.height * scale)))


def _seen(case: LabelledPhoto, image: Image.Image) -> LabelledPhoto:
    """Run one photo file through the whole pipeline: opened, measured, read, and refused or doubted if need be."""
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=95)
    return look_at_one(case, buffer.getvalue())


def _row(severity: int, seen: list[LabelledPhoto]) -> dict[str, Any]:
    everyone = with_decisions(LabelledPhotos(tuple(seen)))
    told = everyone.judged
    if not len(told):
        return {"severity": severity, "refused": 1.0, "doubtful": 0.0}
    truth, p = told.truth, told.p_category
    right = p.argmax(axis=1) == truth
    settled = np.array([str(case.decision.verdict) == "settled" if case.decision else False for case in told.rows])
    errors = int((~right[settled]).sum())
    accuracy = bootstrap({"accuracy": lambda r: float(right[r].mean())}, told.groups, resamples=_RESAMPLES)["accuracy"]
    return {
        "severity": severity,
        "refused": 1 - len(told) / len(everyone),
        "doubtful": float(np.mean([bool(case.report and case.report.status == "doubtful") for case in everyone.rows])),
        "answered": len(told),
        "accuracy": accuracy.value,
        "accuracy_interval": (accuracy.low, accuracy.high),
        "log_loss": metrics.log_loss(truth, p),
        "sureness": float(p.max(axis=1).mean()),
        "settled": float(settled.mean()),
        "wrong_among_settled": errors / int(settled.sum()) if settled.any() else 0.0,
        "settled_photos": int(settled.sum()),
        "settled_wrong": errors,
        "settled_wrong_interval": counted(errors, int(settled.sum()))["interval"],
    }
