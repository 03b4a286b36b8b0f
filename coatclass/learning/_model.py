"""What was learned: rows of P(answer | coat) and temperatures that stand in for the stated ones."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from coatclass import answers as questionnaire
from coatclass.answers import Answer, Answers
from coatclass.contract import AnswerEvidence
from coatclass.ensemble import Members
from coatclass.errors import RecordError
from coatclass.taxonomy import BANDS, CATEGORIES

__all__ = ["RELEASED", "LearnedModel", "Row", "Table"]

Row = tuple[float, ...]
Table = tuple[Row, ...]


@dataclass(frozen=True)
class LearnedModel:
    """A version of the answer model and of the temperatures.

    Attributes:
        version: "released", or a name that starts with "learned-".
        tables: by question and answer (``true`` and ``false`` as words): P(answer | category, band), 7 rows of 4.
        temperatures: P(category)'s temperature by regime; those not named stay as released.
        members_version: the released ensemble that it was learned on; it fits no other.
        findings, dogs: what it was learned from.
    """

    version: str
    tables: Mapping[str, Mapping[str, Table]] = field(default_factory=dict)
    temperatures: Mapping[str, float] = field(default_factory=dict)
    members_version: str = ""
    findings: int = 0
    dogs: int = 0

    def evidence(self, answers: Answers, *, ancestry: Sequence[Sequence[float]] | None = None) -> AnswerEvidence:
        """What the answers say by the learned rows; where nothing was learned, the stated ones count."""
        return questionnaire.evidence(answers, ancestry=ancestry, likelihood=self.likelihood, stated=self._stated)

    def likelihood(self, question: str, answer: Answer) -> Table:
        """P(answer | category, band), (7, 4): as learned, else as released."""
        learned = self.tables.get(question, {}).get(word(answer))
        return questionnaire.likelihood(question, answer) if learned is None else learned

    def _stated(self, question: str, answer: Answer) -> Table:
        learned = self.tables.get(question, {}).get(word(answer))
        return questionnaire.stated(question, answer) if learned is None else learned

    def members(self, released: Members) -> Members:
        """The ensemble with the learned temperatures."""
        return replace(released, category_temperature={**released.category_temperature, **self.temperatures})

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return dict(vars(self))

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> LearnedModel:
        """Rebuild from :meth:`to_json`.

        Raises:
            RecordError: ``damaged`` if a value is missing, or a probability is none.
        """
        try:
            model = cls(
                version=str(data["version"]),
                tables={
                    str(name): {str(answer): _table(rows) for answer, rows in by_answer.items()}
                    for name, by_answer in data["tables"].items()
                },
                temperatures={str(regime): _positive(value) for regime, value in data["temperatures"].items()},
                members_version=str(data["members_version"]),
                findings=int(data["findings"]),
                dogs=int(data["dogs"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise RecordError(
                "a learned version", "is damaged.", "Return to the released one and learn again.", code="damaged"
            ) from error
        return model


RELEASED = LearnedModel("released")
"""Nothing learned: the stated tables and the released temperatures."""


def word(answer: object) -> str:
    """An answer as it is named in tables."""
    return str(answer).lower()


def _positive(value: object) -> float:
    number = float(value)  # type: ignore[arg-type]
    if not 0 < number < math.inf:
        raise ValueError(f"{value} is not positive")
    return number


def _table(rows: Any) -> Table:
    table = tuple(tuple(_positive(value) for value in row) for row in rows)
    if [len(row) for row in table] != [len(BANDS)] * len(CATEGORIES) or max(map(max, table)) > 1:
        raise ValueError("a table is not 7 rows of 4 probabilities")
    return table
