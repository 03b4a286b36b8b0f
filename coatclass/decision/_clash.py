"""Photo and answers that can't both be right, and which answers to look at again."""

from __future__ import annotations

from collections.abc import Sequence

from coatclass.answers import in_words, question
from coatclass.contract import AnsweredQuestion, AnswerEvidence, Clash, CoatEstimate
from coatclass.decision._thresholds import limits
from coatclass.taxonomy import CATEGORIES, CoatCategory

__all__ = ["find_clash", "questions_to_check"]

_LENGTH_APART = {CoatCategory.HAIR, CoatCategory.DROP}  # one soft coat that keeps growing, told apart by its length


def find_clash(estimate: CoatEstimate, answers: AnswerEvidence | None) -> Clash | None:
    """The clash of photo and answers; None if they agree or one of them is vague.

    They clash when their likeliest coats differ by more than length and what the photo shows all but rules out the
    answers (``clash_below``). Vague answers fit many coats, and a vague photo leaves room for them: neither clashes.
    """
    if estimate.by_photo is None or estimate.by_answers is None or estimate.answers_fit_photo is None:
        return None
    photo, said = _best(estimate.by_photo), _best(estimate.by_answers)
    if photo is said or {photo, said} == _LENGTH_APART:
        return None
    if estimate.answers_fit_photo >= limits()["clash_below"]:
        return None
    return Clash(photo=photo, answers=said, check=_to_check(photo, answers))


def questions_to_check(clash: Clash, answers: AnswerEvidence | None) -> str:
    """The answers to look at again, as the questionnaire words them."""
    given = {one.question: one.answer for one in (answers.by_question if answers else ())}
    return "; ".join(f"{question(name).text} ({in_words(name, given[name])})" for name in clash.check)


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
