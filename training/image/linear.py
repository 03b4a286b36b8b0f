"""Linear models with soft labels, fitted by L-BFGS: the heads of the network and its linear probes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

_CONSTANT = 1e-4


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
    # Softplus, because an export writes logsigmoid as the log of a sigmoid, which runs out of digits.
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
        weight: (N,) say of each entry.
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

    solver.step(closure)
    with torch.no_grad():
        folded = matrix / spread
        full = torch.zeros(outputs, inputs.shape[1], dtype=torch.float64, device=inputs.device)
        full[:, varies] = folded
        return Linear(full.to(kept), (bias - folded @ centre).to(kept))
