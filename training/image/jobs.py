"""The trainings of a run and their results: which photos each may see, spread over the processes of ``torchrun``.

A run needs many independent trainings (folds and seeds) of a small network, so the processes share out whole
trainings instead of halving batches: no gradient has to travel, and results do not depend on how many processes ran.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import torch
from numpy.typing import NDArray

from training.image.config import Config
from training.image.labels import Labels, folds

_Item = TypeVar("_Item")


@dataclass(frozen=True)
class Plan:
    """Who trains on what.

    Attributes:
        folds: fold of each photo, -1 on the test split; by what is held out: ``group`` (the dog), ``breed``, and for
            a release ``source`` (where the photo came from).
        jobs: indices of the training photos by name: ``val`` (train split only), ``group0``…, ``breed0``…,
            ``source0``…, ``all``.
    """

    folds: dict[str, NDArray[np.int64]]
    jobs: dict[str, NDArray[np.int64]]


def make_plan(labels: Labels, config: Config, *, release: bool) -> Plan:
    """The jobs of a run: enough to select (``val``, unseen dogs, unseen breeds), and the one that is released."""
    held_out = {
        "group": _folds(labels, labels.group, config),
        "breed": _folds(labels, labels.breed.astype(str), config),
    }
    if release:
        held_out["source"] = _sources(labels)
    jobs = {"val": labels.where("train")}
    for by, fold in held_out.items():
        jobs |= {f"{by}{k}": np.flatnonzero((fold >= 0) & (fold != k)) for k in range(int(fold.max()) + 1)}
    if release:
        jobs["all"] = labels.where("train", "val")
    return Plan(held_out, jobs)


def _folds(labels: Labels, keys: NDArray[np.str_], config: Config) -> NDArray[np.int64]:
    chosen = labels.where("train", "val")
    fold = np.full(len(labels), -1)
    fold[chosen] = folds(keys[chosen], labels.category_hard[chosen], config.folds, config.seeds[0])
    return fold


def _sources(labels: Labels) -> NDArray[np.int64]:
    """A fold for each source of photos."""
    _, fold = np.unique(labels.source, return_inverse=True)
    return np.where(labels.split == "test", -1, fold)


@dataclass(frozen=True)
class Crew:
    """This process among those that ``torchrun`` started (one, if it did not)."""

    rank: int
    size: int
    device: torch.device

    def share(self, items: Sequence[_Item]) -> Sequence[_Item]:
        """The items that fall to this process."""
        return items[self.rank :: self.size]

    def wait(self) -> None:
        """Wait until all processes have come here."""
        if self.size > 1:
            torch.distributed.barrier()


def join_crew() -> Crew:
    """Join the processes that ``torchrun`` started, on a GPU if there is one (several processes may share it)."""
    rank, size = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    if size > 1 and not torch.distributed.is_initialized():
        torch.distributed.init_process_group("gloo")
    if not torch.cuda.is_available():
        return Crew(rank, size, torch.device("cpu"))
    device = torch.device("cuda", int(os.environ.get("LOCAL_RANK", "0")) % torch.cuda.device_count())
    torch.cuda.set_device(device)  # streams and graphs belong to the current device
    return Crew(rank, size, device)
