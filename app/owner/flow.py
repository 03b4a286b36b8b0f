"""Which screen comes next. Pure: answers, what was skipped and the assessment in, a screen out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from coatclass import answers as questionnaire
from coatclass.answers import Answers, QuestionSpec
from coatclass.contract import Assessment
from coatclass.resources import read_toml

_CARDS = Path(__file__).with_name("cards.toml")
# How many screens of the coat are asked at most: further answers change the kit too little for two minutes.
MOST_OF_COAT = 6


@dataclass(frozen=True)
class Card:
    """One screen of questions. ``part``: first, coat, safety, plan or on_wish."""

    id: str
    part: str
    questions: tuple[str, ...]

    def specs(self, language: str = "en") -> tuple[QuestionSpec, ...]:
        """Its questions with their words."""
        return tuple(questionnaire.question(name, language) for name in self.questions)


@dataclass(frozen=True)
class Progress:
    """Screens done, and how many there will be about."""

    done: int
    of: int


@cache
def _cards() -> tuple[Card, ...]:
    return tuple(Card(name, row["part"], tuple(row["questions"])) for name, row in read_toml(_CARDS)["card"].items())


def card(card_id: str) -> Card | None:
    """The screen with an id: one of the file's, or a question with a screen of its own; None if there is none."""
    named = next((one for one in _cards() if one.id == card_id), None)
    if named is not None:
        return named
    grouped = {name for one in _cards() for name in one.questions}
    known = {spec.id for spec in questionnaire.questions()}
    return Card(card_id, "coat", (card_id,)) if card_id in known - grouped else None


def card_of(question_id: str) -> Card:
    """The screen on which a question stands."""
    named = next((one for one in _cards() if question_id in one.questions), None)
    return named or Card(question_id, "coat", (question_id,))


def every_card() -> tuple[Card, ...]:
    """All screens: those of the file, and the questions with a screen of their own."""
    return tuple({one.id: one for one in map(card_of, [spec.id for spec in questionnaire.questions()])}.values())


def wishes() -> tuple[Card, ...]:
    """Screens that are only offered."""
    return tuple(one for one in _cards() if one.part == "on_wish")


def next_card(answers: Answers, skipped: Collection[str], assessment: Assessment) -> Card | None:
    """The next screen, or None when the result is due.

    First who the dog is; then, as long as an answer is expected to change the kit, the question that changes it most
    (safety before anything that pulls at hair); then what the plan needs.
    """
    for one in _cards():
        if one.part == "first" and _open(one, answers, skipped):
            return one
    asked = assessment.next_question if assessment.regime != "none" else _first_of_coat(answers, skipped)
    wanted = card_of(asked.id) if asked is not None and _coat_done(answers, skipped) < MOST_OF_COAT else None
    safety = [one for one in _cards() if one.part == "safety" and _open(one, answers, skipped)]
    if wanted is not None and not (safety and _pulls(wanted)):
        return wanted
    if safety:
        return safety[0]
    return wanted or next((one for one in _cards() if one.part == "plan" and _open(one, answers, skipped)), None)


def progress(answers: Answers, skipped: Collection[str], assessment: Assessment) -> Progress:
    """How far the owner is; the total is an estimate, because the order is computed."""
    parts = [one for one in _cards() if one.part in ("first", "safety", "plan")]
    due = sum(_open(one, answers, skipped) for one in parts)
    coat = _coat_done(answers, skipped)
    more = assessment.next_question is not None or assessment.regime == "none"
    expected = min(MOST_OF_COAT - coat, 2) if more else 0
    done = len(parts) - due + coat
    return Progress(done, max(done, done + due + max(0, expected)))


def _open(one: Card, answers: Answers, skipped: Collection[str]) -> bool:
    """Whether none of a screen's questions was answered and the screen was not passed."""
    return all(getattr(answers, name) is None and name not in skipped for name in one.questions)


def _pulls(one: Card) -> bool:
    """Whether a screen asks for hands on the coat."""
    return any(spec.group == "home_check" for spec in one.specs())


def _coat_done(answers: Answers, skipped: Collection[str]) -> int:
    """Screens about the coat that were answered or passed."""
    of_coat = [one for one in _coat_cards() if not _open(one, answers, skipped)]
    return len(of_coat)


@cache
def _coat_cards() -> tuple[Card, ...]:
    ids = [spec.id for spec in questionnaire.questions() if spec.group in ("evidence", "home_check")]
    found = {one.id: one for one in map(card_of, ids) if one.part == "coat"}
    return tuple(found.values())


def _first_of_coat(answers: Answers, skipped: Collection[str]) -> QuestionSpec | None:
    """With nothing to go on, the questionnaire's own order."""
    for spec in questionnaire.due(answers):
        if spec.id not in skipped and spec.group == "evidence" and card_of(spec.id).part == "coat":
            return spec
    return None
