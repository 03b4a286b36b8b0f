"""Prediction sets against the promised thresholds, and the verdict: settled, open, contradictory or unknown.

Hair and drop are one soft coat that keeps growing; where it lies over about 75 mm it is called drop. So they are first
taken as one family, and length tells them apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from coatclass import ancestry
from coatclass.ancestry import Inherited
from coatclass.contract import (
    AnsweredQuestion,
    AnswerEvidence,
    CategoryEstimate,
    Clash,
    CoatEstimate,
    Decision,
    Frozen,
    PhotoReport,
    PhotoStatus,
    Reason,
    Verdict,
)
from coatclass.errors import ModelFilesError
from coatclass.reasons import joined, reason
from coatclass.resources import read_toml
from coatclass.taxonomy import BANDS, CATEGORIES, CoatCategory, LengthBand

FILE = "ensemble_thresholds.json"
_DATA = Path(__file__).with_name("data") / "decision.toml"


class RegimeThresholds(Frozen):
    """Thresholds on calibrated probabilities for one regime (photo, answers, both).

    Attributes:
        category_at: a category at least this probable stays in the prediction set.
        band_at: the same for a length band.
        settle_at: a single category must be at least this probable to be called settled; above 1: never.
        mixed_at: *mixed* stays possible from this probability on.
        length_at: of two coats that only length tells apart, the one with this share of both stays possible.
        calibrated_on: how many dogs the thresholds rest on.
        simulated: the answers among them were simulated.
    """

    category_at: float = Field(ge=0, le=1)
    band_at: float = Field(ge=0, le=1)
    settle_at: float = Field(ge=0)
    mixed_at: float = Field(ge=0, le=1)
    length_at: float = Field(ge=0, le=1)
    calibrated_on: int = Field(ge=0)
    simulated: bool


class Thresholds(Frozen):
    """All thresholds of one fit."""

    version: str
    regimes: dict[str, RegimeThresholds]


@cache
def load() -> Thresholds:
    """The released thresholds.

    Raises:
        ModelFilesError: if they are missing, damaged or not the released ones.
    """
    from coatclass.ensemble import read_checked

    try:
        return Thresholds.model_validate(read_checked(FILE))
    except ValidationError as error:
        raise ModelFilesError(
            f"models/{FILE}", "does not hold what it must.", "Install coatclass again.", code="damaged_file"
        ) from error


def promise() -> Mapping[str, Any]:
    """What is promised: reliability of the sets, risk and confidence of *settled*, and the accepted false alarms."""
    section: Mapping[str, Any] = read_toml(_DATA)["promise"]
    return section


def limits() -> Mapping[str, Any]:
    """Limits that are decisions, not fits."""
    section: Mapping[str, Any] = read_toml(_DATA)["limits"]
    return section


LENGTH_FAMILY = frozenset({CoatCategory.HAIR, CoatCategory.DROP})
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_HAIR, _DROP = CATEGORIES.index(CoatCategory.HAIR), CATEGORIES.index(CoatCategory.DROP)


def families(probabilities: Sequence[float]) -> list[float]:
    """P of each category (7,) with *hair* and *drop* as one, at the place of *hair*; that of *drop* is 0."""
    joined = list(probabilities)
    joined[_HAIR], joined[_DROP] = probabilities[_HAIR] + probabilities[_DROP], 0.0
    return joined


def _share_of_rarer(probabilities: Sequence[float]) -> float:
    """Of *hair* and *drop* together, the share of the less probable one, [0, 0.5]."""
    both = probabilities[_HAIR] + probabilities[_DROP]
    return min(probabilities[_HAIR], probabilities[_DROP]) / both if both > 0 else 0.0


def category_set(
    probabilities: Sequence[float], at: RegimeThresholds, bands: Sequence[LengthBand] = ()
) -> tuple[CoatCategory, ...]:
    """Categories that can't be ruled out, most probable first; never empty.

    The conformal set (least ambiguous classifier; Sadinle, Lei and Wasserman 2019) over families, which always holds
    the most probable one. Where that one alone is not sure enough to be called settled, the runner-up joins it. *mixed*
    joins by a lower limit of its own, and beside hair that is not settled, because a soft cross looks like either. Of
    hair and drop both stay, unless one is settled by itself and neither the other's share nor the length speaks for the
    other.

    Args:
        probabilities: P(category), (7,).
        at: the thresholds of the regime.
        bands: lengths that can't be ruled out; empty if nobody knows.
    """
    joined = families(probabilities)
    order = sorted(range(len(CATEGORIES)), key=lambda i: -joined[i])
    chosen = [i for i in order if joined[i] >= at.category_at and joined[i] > 0] or order[:1]
    if len(chosen) == 1 and joined[chosen[0]] < at.settle_at:
        chosen.append(next(i for i in order if i not in (chosen[0], _MIXED)))
    looks_mixed = chosen[0] == _HAIR and len(chosen) > 1 and probabilities[_HAIR] >= probabilities[_DROP]
    if _MIXED not in chosen and (probabilities[_MIXED] >= at.mixed_at or looks_mixed):
        chosen.append(_MIXED)
    if _HAIR in chosen:
        chosen = [i for i in chosen if i != _HAIR] + _by_length(probabilities, at, bands)
    best = max(range(len(CATEGORIES)), key=probabilities.__getitem__)
    if best not in chosen:  # more probable than hair or drop alone, yet less than both together
        chosen.append(best)
    return tuple(CATEGORIES[i] for i in sorted(chosen, key=lambda i: (-probabilities[i], i)))


def _by_length(probabilities: Sequence[float], at: RegimeThresholds, bands: Sequence[LengthBand]) -> list[int]:
    """Hair, drop or both."""
    best, other = (_HAIR, _DROP) if probabilities[_HAIR] >= probabilities[_DROP] else (_DROP, _HAIR)
    long, shorter = LengthBand.OVER_75MM in bands, any(band is not LengthBand.OVER_75MM for band in bands)
    astride = long if best == _HAIR else shorter
    unsure = probabilities[best] < at.settle_at or _share_of_rarer(probabilities) >= at.length_at
    return [best, other] if astride or unsure else [best]


def band_set(probabilities: Sequence[float], at: RegimeThresholds) -> tuple[LengthBand, ...]:
    """Length bands that can't be ruled out, most probable first; never empty.

    Bands between two that stay are kept as well. ``probabilities`` is P(band), (4,).
    """
    order = sorted(range(len(BANDS)), key=lambda i: -probabilities[i])
    chosen = [i for i in order if probabilities[i] >= at.band_at] or order[:1]
    span = range(min(chosen), max(chosen) + 1)
    return tuple(BANDS[i] for i in order if i in span)


def decide(
    estimate: CoatEstimate | None,
    photo_reports: Sequence[PhotoReport] = (),
    *,
    answers: AnswerEvidence | None = None,
    inherited: Inherited | None = None,
    thresholds: Thresholds | None = None,
) -> Decision:
    """Turn an estimate into prediction sets, a verdict and the reasons for it. Pure.

    A groomer's finding settles everything. Otherwise the verdict is *hands_on* whenever a mixed coat is possible, a
    cross was named, photo and answers or photo and ancestors contradict each other, the dog is unlike anything seen,
    the photo can't carry an estimate alone, or too many coats are possible; *settled* when one category is left that
    is sure enough; else *narrowed*. Photo and answers that contradict each other both keep their coat in the set; a
    name that nobody proved settles no coat by itself.

    Args:
        estimate: from ``ensemble.combine``; None if there was nothing to estimate from.
        photo_reports: what became of each photo, refused ones too.
        answers: the answers' evidence, for the measured length and for what to check.
        inherited: what names or genes say.
        thresholds: another fit than the released one.
    """
    if estimate is None or estimate.regime == "none":
        return _without_evidence(photo_reports)
    if estimate.regime == "hands_on":
        return _found_by_hand(estimate)
    thresholds = thresholds or load()
    at = thresholds.regimes[_calibrated_regime(estimate, answers)]
    bands = band_set(estimate.band, at)
    clash = _find_clash(estimate, answers)
    categories = category_set(estimate.category, at, bands)
    if clash is not None:
        categories = _joined(categories, clash.photo, clash.answers, CoatCategory.MIXED)
    if inherited is not None and not inherited.proven:
        categories = _not_by_name_alone(categories, estimate)
    if inherited is not None and inherited.cross:
        categories = _joined(categories, CoatCategory.MIXED)
    notes = _notes(photo_reports, answers, bands, inherited)
    doubts = [
        *_contradictions(estimate, answers, inherited, clash),
        *_doubts(estimate, photo_reports, categories, inherited),
    ]
    if doubts:
        return Decision(categories, bands, Verdict.HANDS_ON, (*doubts, *notes), clash)
    if len(categories) == 1:
        percent = f"{100 * (1 - promise()['settled_risk']):.0f}"
        return Decision(categories, bands, Verdict.SETTLED, (reason("settled", percent=percent), *notes))
    if set(categories) == LENGTH_FAMILY:
        return Decision(categories, bands, Verdict.NARROWED, (reason("family_settled"), *notes))
    return Decision(categories, bands, Verdict.NARROWED, (reason("narrowed", categories=list(categories)), *notes))


def _calibrated_regime(estimate: CoatEstimate, answers: AnswerEvidence | None) -> str:
    """The regime whose limits hold: names beside a photo are no answers about the coat, so the photo's do."""
    about_the_coat = answers is None or answers.measured_mm is not None or any(map(any, answers.log_likelihood))
    return estimate.regime if estimate.regime != "both" or about_the_coat else "photo"


def _not_by_name_alone(categories: tuple[CoatCategory, ...], estimate: CoatEstimate) -> tuple[CoatCategory, ...]:
    """A name that nobody proved may narrow; it settles only what photo and answers all but settle without it.

    Else the runner-up stays possible, by what is known without the name, if anything is.
    """
    if len(categories) > 1 and set(categories) != LENGTH_FAMILY:
        return categories
    known = families(estimate.unnamed or estimate.category)
    said = _HAIR if categories[0] in LENGTH_FAMILY else CATEGORIES.index(categories[0])
    if estimate.unnamed is not None and known[said] >= limits()["named_at"]:
        return categories
    other = max((i for i in range(len(CATEGORIES)) if i not in (said, _MIXED)), key=known.__getitem__)
    family = (CoatCategory.HAIR, CoatCategory.DROP) if other == _HAIR else (CATEGORIES[other],)
    return _joined(categories, *family)


def _joined(categories: tuple[CoatCategory, ...], *others: CoatCategory) -> tuple[CoatCategory, ...]:
    return tuple(dict.fromkeys((*categories, *others)))


def _contradictions(
    estimate: CoatEstimate, answers: AnswerEvidence | None, inherited: Inherited | None, clash: Clash | None
) -> list[Reason]:
    """The photo against the answers, and against the ancestors or genes."""
    found = []
    if clash is not None:
        check = _answers_to_check(clash, answers)
        found.append(reason("sources_disagree", photo=clash.photo, answers=clash.answers, check=check))
    if inherited is not None and estimate.by_photo is not None:
        against = ancestry.conflict(inherited, estimate.by_photo)
        found += [against] if against is not None else []
    return found


def _doubts(
    estimate: CoatEstimate,
    photo_reports: Sequence[PhotoReport],
    categories: Sequence[CoatCategory],
    inherited: Inherited | None,
) -> list[Reason]:
    """Every other reason why only hands can tell."""
    doubts = []
    if inherited is not None and inherited.cross:
        doubts.append(reason("cross_named"))
    elif CoatCategory.MIXED in categories:
        doubts.append(reason("mixed_possible"))
    if estimate.unfamiliar:
        doubts.append(reason("unfamiliar"))
    if _all_hardly_a_dog(photo_reports):
        doubts.append(reason("hardly_a_dog"))
    if _only_no_dog(photo_reports):
        doubts.append(reason("no_dog_seen"))
    if estimate.regime == "photo" and _all_doubtful(photo_reports):
        doubts.append(reason("photo_cannot_carry"))
    if len(categories) > limits()["most_categories"]:
        doubts.append(reason("too_many", categories=list(categories)))
    return doubts


_NO_DOUBT_OF_SHARES = frozenset(
    {"settled", "family_settled", "narrowed", "mixed_possible", "photo_refused", "measured", "length_open", "ancestry"}
)


def shares_that_hold(category: CategoryEstimate, reasons: Sequence[Reason]) -> Mapping[CoatCategory, float]:
    """How likely each possible coat is; empty where a reason speaks against the probabilities themselves.

    That a mixed coat is possible too does not speak against them.
    """
    if any(one.code not in _NO_DOUBT_OF_SHARES for one in reasons):
        return {}
    return {one: category.probabilities[one] for one in category.set}


def _all_doubtful(photo_reports: Sequence[PhotoReport]) -> bool:
    looked_at = _looked_at(photo_reports)
    return bool(looked_at) and all(report.status is PhotoStatus.DOUBTFUL for report in looked_at)


def _all_hardly_a_dog(photo_reports: Sequence[PhotoReport]) -> bool:
    """Answers don't help: whoever takes a cat for a dog also answers for it."""
    looked_at = _looked_at(photo_reports)
    return bool(looked_at) and all("dog_unlikely" in {found.code for found in seen.reasons} for seen in looked_at)


def _only_no_dog(photo_reports: Sequence[PhotoReport]) -> bool:
    """Whether no photo could be used, and on one of them no dog was found."""
    codes = {found.code for seen in photo_reports for found in seen.reasons}
    return "no_dog" in codes and not _looked_at(photo_reports)


def _looked_at(photo_reports: Sequence[PhotoReport]) -> list[PhotoReport]:
    return [report for report in photo_reports if report.status is not PhotoStatus.REFUSED]


def _notes(
    photo_reports: Sequence[PhotoReport],
    answers: AnswerEvidence | None,
    bands: Sequence[LengthBand],
    inherited: Inherited | None,
) -> list[Reason]:
    """What else the reader should know; it does not change the verdict."""
    notes = []
    if any(report.status is PhotoStatus.REFUSED for report in photo_reports):
        notes.append(reason("photo_refused"))
    if answers is not None and answers.measured_mm is not None:
        notes.append(reason("measured", length=answers.measured_mm))
    elif len(bands) > 1:
        notes.append(reason("length_open"))
    if inherited is not None and inherited.prior is not None:
        notes.append(joined("ancestry", inherited.prior.explanation))
    return notes


def _found_by_hand(estimate: CoatEstimate) -> Decision:
    certain = RegimeThresholds(
        category_at=0.5, band_at=1 - promise()["set_reliability"], settle_at=0, mixed_at=0.5, length_at=0.5,
        calibrated_on=0, simulated=False,
    )  # fmt: skip
    return Decision(
        category_set(estimate.category, certain),
        band_set(estimate.band, certain),
        Verdict.SETTLED,
        (reason("found_by_hand"),),
    )


def _without_evidence(photo_reports: Sequence[PhotoReport]) -> Decision:
    """Nothing can be estimated: everything stays possible."""
    codes = {reason.code for report in photo_reports for reason in report.reasons}
    if "no_dog" in codes:
        verdict, why = Verdict.NOT_A_DOG, reason("not_a_dog")
    elif photo_reports:
        verdict, why = Verdict.UNUSABLE_PHOTO, reason("unusable_photo")
    else:
        verdict, why = Verdict.HANDS_ON, reason("nothing_given")
    return Decision(CATEGORIES, BANDS, verdict, (why,))


# --- photo against answers -------------------------------------------------------------------------------------------


def _find_clash(estimate: CoatEstimate, answers: AnswerEvidence | None) -> Clash | None:
    """The clash of photo and answers; None if they agree or one of them is vague.

    They clash when their likeliest coats differ by more than length and what the photo shows all but rules out the
    answers (``clash_below``). Vague answers fit many coats, and a vague photo leaves room for them: neither clashes.
    """
    if estimate.by_photo is None or estimate.by_answers is None or estimate.answers_fit_photo is None:
        return None
    photo, said = _best(estimate.by_photo), _best(estimate.by_answers)
    if photo is said or {photo, said} == LENGTH_FAMILY:
        return None
    if estimate.answers_fit_photo >= limits()["clash_below"]:
        return None
    return Clash(photo=photo, answers=said, check=_to_check(photo, answers))


def _answers_to_check(clash: Clash, answers: AnswerEvidence | None) -> list[tuple[str, str | float | bool]]:
    """The questions to look at again, with their answers."""
    given = {one.question: one.answer for one in (answers.by_question if answers else ())}
    return [(name, _plain(given[name])) for name in clash.check]


def _plain(answer: Any) -> str | float | bool:
    """An answer as JSON can keep it: names by themselves, the rest as it is."""
    if isinstance(answer, Mapping):
        return ", ".join(map(str, answer))
    if isinstance(answer, tuple):
        return " x ".join(map(str, answer))
    return answer if isinstance(answer, bool | int | float) else str(answer)


def _to_check(photo: CoatCategory, answers: AnswerEvidence | None) -> tuple[str, ...]:
    """Questions whose answers speak most against the photo's coat, the strongest first."""
    against = {one.question: -_speaks(one, photo) for one in (answers.by_question if answers else ())}
    strongest = max(against.values(), default=0.0)
    least = limits()["check_share"] * strongest
    ranked = sorted(against, key=lambda name: -against[name])
    return tuple(name for name in ranked if against[name] >= least and against[name] > 0)[: limits()["most_to_check"]]


def _speaks(one: AnsweredQuestion, category: CoatCategory) -> float:
    """How well an answer goes with a coat, at the length that suits it best."""
    return max(one.log_likelihood[CATEGORIES.index(category)])


def _best(probabilities: Sequence[float]) -> CoatCategory:
    return CATEGORIES[max(range(len(CATEGORIES)), key=probabilities.__getitem__)]
