"""ImageNet's 118 dog classes as breeds of the table: which dogs a network trained on ImageNet finds a dog like."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from coatclass.breeds._lookup import find
from coatclass.breeds._table import BreedKind, table
from coatclass.resources import damage_told, released

KIN = "datasets/imagenet_dogs.csv"
# Further breeds among the synonyms of ImageNet's classes 180 ("..., American pit bull terrier, pit bull terrier"),
# 219 ("cocker spaniel, English cocker spaniel, cocker"), 231 ("collie") and 158 ("toy terrier"); WordNet 3.0.
ALSO_NAMED = ("american_pit_bull_terrier", "english_cocker_spaniel", "collie", "english_toy_terrier_black_and_tan")


@cache
def kin_table() -> Mapping[int, str]:
    """Breed ids by the index of ImageNet's class, 151 to 268, in this order.

    Source: the 1,000 classes of ILSVRC 2012 in ascending order of their WordNet 3.0 ids.
    """
    with damage_told(KIN), released(KIN).open(encoding="utf-8", newline="") as stream:
        return MappingProxyType({int(row["index"]): row["breed_id"] for row in csv.DictReader(stream)})


@cache
def named_by_imagenet(breed: str) -> bool:
    """Whether ImageNet has a class for a recorded breed, for a variety of it, or for the breed that it is a variety of.

    The network started from ImageNet's weights, and kinship reads the scores of these classes: such a breed is not new
    to it even if no photo of it was in training.
    """
    found = find(breed).id
    if found is None:
        return False
    named = {*kin_table().values(), *ALSO_NAMED}
    return found in named or bool(_breed_of(found) & named) or any(found in _breed_of(name) for name in named)


def _breed_of(breed_id: str) -> set[str]:
    """The breed of which a row of the breed table is a variety, if it is one."""
    row = table()[breed_id]
    return set(row.parents) if row.kind is BreedKind.VARIETY else set()
