"""What an observer says of the coat on a photo: curl, lie, beard and brows, feel by look, and the length in the eye."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from coatclass.vision import LOOKS as NAMES

LENGTH_MM = (24.0, 2.2)  # about the geometric mean and spread of the observers' lengths: one unit of the last score
LOOKS = sum(map(len, NAMES.values())) + 1
_COLUMNS = {"curl": "curl", "lie": "lie", "furnishings": "beard_and_brows", "feel": "feel_by_look"}
_LENGTH = "trunk_length_mm_by_eye"


def targets(rows: list[Mapping[str, str]]) -> NDArray[np.float32]:
    """Answers of N observers as (N, 15): one column an answer, rows of zeros where it can't be seen; then the
    standardised log length, and whether it is known.
    """
    found = np.zeros((len(rows), LOOKS + 1), np.float32)
    for place, row in enumerate(rows):
        column = 0
        for question, answers in NAMES.items():
            if (said := row.get(_COLUMNS[question], "")) in answers:
                found[place, column + answers.index(said)] = 1
            column += len(answers)
        if row.get(_LENGTH):
            found[place, column:] = np.log(float(row[_LENGTH]) / LENGTH_MM[0]) / np.log(LENGTH_MM[1]), 1
    return found


def log_probabilities(scores: Tensor) -> Tensor:
    """Scores (N, 14) as log probabilities within each question; the length, last, as it is."""
    parts = scores.split([*map(len, NAMES.values()), 1], -1)
    return torch.cat([*(part.log_softmax(-1) for part in parts[:-1]), parts[-1]], -1)


def outline_inputs(looks: Tensor) -> Tensor:
    """The outline head's inputs (N, 15) from looks (N, 14): probabilities, log length and its square."""
    length = looks[..., -1:]
    return torch.cat([looks[..., :-1].exp(), length, length.square()], -1)


def outline_examples(target: Tensor) -> tuple[Tensor, Tensor]:
    """Observed answers (N, 15), as :func:`targets` gives them, in that form (N, 15), and which rows lack none (N,)."""
    length, known = target[..., -2:-1], target[..., -1]
    complete = (target[..., :-2].sum(-1) == len(NAMES)) & (known > 0)
    return torch.cat([target[..., :-2], length, length.square()], -1), complete


def looks_cross_entropy(scores: Tensor, target: Tensor) -> Tensor:
    """Cross entropy (N,) of all questions and half the squared error of the log length; the unseen costs nothing."""
    said = log_probabilities(scores)
    length, known = target[..., -2], target[..., -1]
    return -(target[..., :-2] * said[..., :-1]).sum(-1) + known * (said[..., -1] - length).square() / 2
