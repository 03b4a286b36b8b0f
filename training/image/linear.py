"""Scores of linear models, their losses, and their fit by L-BFGS: the heads of the network and its linear probes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from coatclass.vision import LOOKS as QUESTIONS

_CONSTANT = 1e-4  # standard deviation below which a column counts as constant
LOOKS = sum(map(len, QUESTIONS.values())) + 1
"""Scores of what an observer says of a coat: one for each answer to each question, then the length's."""


@dataclass(frozen=True)
class Linear:
    """``scores = inputs @ weight.T + bias`` on inputs as they come (any standardisation is folded in)."""

    weight: Tensor  # (outputs, inputs)
    bias: Tensor  # (outputs,)

    def __call__(self, inputs: Tensor) -> Tensor:
        """Scores (N, outputs)."""
        return inputs @ self.weight.T + self.bias


def soft_cross_entropy(scores: Tensor, target: Tensor) -> Tensor:
    """Cross entropy (N,) of softmax scores against soft labels (N, K); rows of zeros cost nothing."""
    return -(target * scores.log_softmax(-1)).sum(-1)


def ordinal_log_probabilities(scores: Tensor) -> Tensor:
    """Log probabilities (N, K) of ordered classes from K-1 continuation scores: P(y > k | y >= k) = sigmoid(score_k).

    The continuation-ratio model (Fienberg 1980): always a distribution, and each step has its own direction.
    """
    # Softplus, because the export turns logsigmoid into the log of a sigmoid, which underflows.
    further = (-functional.softplus(-scores)).cumsum(-1)
    stop = -functional.softplus(scores)
    start = torch.zeros_like(scores[..., :1])
    return torch.cat([torch.cat([start, further[..., :-1]], -1) + stop, further[..., -1:]], -1)


def ordinal_cross_entropy(scores: Tensor, target: Tensor) -> Tensor:
    """Cross entropy (N,) of continuation scores (N, K-1) against soft labels (N, K)."""
    return -(target * ordinal_log_probabilities(scores)).sum(-1)


def binary_cross_entropy(scores: Tensor, target: Tensor) -> Tensor:
    """Cross entropy (N,) of one score (N, 1) against targets in [0, 1] (N, 1)."""
    return functional.binary_cross_entropy_with_logits(scores, target, reduction="none")[:, 0]


def fit_linear(
    inputs: Tensor,
    target: Tensor,
    weight: Tensor,
    *,
    loss: Callable[[Tensor, Tensor], Tensor] = soft_cross_entropy,
    outputs: int,
    l2: float,
    steps: int = 200,
) -> Linear:
    """Fit by weighted mean loss + l2 / 2 * |W|^2 on standardised inputs.

    Args:
        inputs: (N, D).
        target: (N, K) soft labels.
        weight: (N,) weight of each entry.
        outputs: number of scores.
    """
    # Double precision: with a GPU's short float formats the line search stops far from the optimum.
    kept = inputs.dtype
    inputs, target, weight = inputs.double(), target.double(), weight.double()
    varies = inputs.std(0) > _CONSTANT  # a column that never varies gets no weight
    centre, spread = inputs[:, varies].mean(0), inputs[:, varies].std(0)
    standard = (inputs[:, varies] - centre) / spread
    share = weight / weight.sum()
    matrix = torch.zeros(outputs, standard.shape[1], dtype=torch.float64, device=inputs.device, requires_grad=True)
    bias = torch.zeros(outputs, dtype=torch.float64, device=inputs.device, requires_grad=True)
    solver = torch.optim.LBFGS([matrix, bias], max_iter=steps, history_size=20, line_search_fn="strong_wolfe")

    def closure() -> Tensor:
        solver.zero_grad()
        cost = (loss(standard @ matrix.T + bias, target) * share).sum() + l2 / 2 * matrix.square().sum()
        cost.backward()  # type: ignore[no-untyped-call]
        return cost

    solver.step(closure)  # type: ignore[no-untyped-call]
    with torch.no_grad():
        folded = matrix / spread
        full = torch.zeros(outputs, inputs.shape[1], dtype=torch.float64, device=inputs.device)
        full[:, varies] = folded
        return Linear(full.to(kept), (bias - folded @ centre).to(kept))


def looks_log_probabilities(scores: Tensor) -> Tensor:
    """Scores (N, 14) as log probabilities within each question; the length, last, as it is."""
    parts = torch.split(scores, [*map(len, QUESTIONS.values()), 1], -1)
    return torch.cat([*(part.log_softmax(-1) for part in parts[:-1]), parts[-1]], -1)


def outline_inputs(looks: Tensor) -> Tensor:
    """The outline head's inputs (N, 15) from looks (N, 14): probabilities, log length and its square."""
    length = looks[..., -1:]
    return torch.cat([looks[..., :-1].exp(), length, length.square()], -1)


def outline_examples(target: Tensor) -> tuple[Tensor, Tensor]:
    """The same of observed answers (N, 15), as in :class:`training.image.labels.Labels`; and which rows lack none."""
    length, known = target[..., -2:-1], target[..., -1]
    complete = (target[..., :-2].sum(-1) == len(QUESTIONS)) & (known > 0)
    return torch.cat([target[..., :-2], length, length.square()], -1), complete


def looks_cross_entropy(scores: Tensor, target: Tensor) -> Tensor:
    """Cross entropy (N,) of all questions and half the squared error of the log length; the unseen costs nothing."""
    said = looks_log_probabilities(scores)
    length, known = target[..., -2], target[..., -1]
    return -(target[..., :-2] * said[..., :-1]).sum(-1) + known * (said[..., -1] - length).square() / 2
