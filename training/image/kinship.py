"""What coat a breed's dogs wear, from the breed table: the map from ImageNet's breeds to categories."""

from __future__ import annotations

import torch
from torch import Tensor

from coatclass.resources import read_csv, released
from coatclass.taxonomy import CATEGORIES

_TRIMMED = {"never": 0.0, "sometimes": 0.3, "usually": 0.6, "nearly_always": 0.9}  # assumption: share of dogs in a trim
_ELSE = 0.05  # share of dogs that fit no row: mislabelled, crossed, or of another variety


def breed_coats() -> dict[str, list[float]]:
    """P(category | breed id), rows of 7, from ``datasets/breeds.csv``: grown, trimmed and alternative coats."""
    return {row["id"]: _coat(row) for row in _rows("datasets/breeds.csv")}


def kinship_table() -> Tensor:
    """P(category | ImageNet breed), (118, 7), in the order of ImageNet's classes 151 to 268."""
    coats = breed_coats()
    rows = sorted(_rows("datasets/imagenet_dogs.csv"), key=lambda row: int(row["index"]))
    return torch.tensor([coats[row["breed_id"]] for row in rows])


def _coat(row: dict[str, str]) -> list[float]:
    names = [str(category) for category in CATEGORIES]
    share = dict.fromkeys(names, 0.0)
    in_trim = _TRIMMED[row["trimmed"]]
    share[row["category_grown"]] += 1 - in_trim
    share[row["category_trimmed"] or row["category_grown"]] += in_trim
    others = {name: float(part) for name, part in (pair.split(":") for pair in row["alternatives"].split(";") if pair)}
    rest = 1 - sum(others.values())
    mixed = [share[name] * rest + others.get(name, 0.0) for name in names]
    return [(1 - _ELSE) * value + _ELSE / len(names) for value in mixed]


def _rows(name: str) -> list[dict[str, str]]:
    return list(read_csv(released(name)))
