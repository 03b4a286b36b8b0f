"""ImageNet's 118 dog classes as breeds of the table: which dogs a network trained on ImageNet finds a dog like."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from coatclass.resources import released

KIN = "datasets/imagenet_dogs.csv"


@cache
def kin_table() -> Mapping[int, str]:
    """Breed ids by the index of ImageNet's class, 151 to 268, in this order.

    Source: the 1,000 classes of ILSVRC 2012 in ascending order of their WordNet 3.0 ids.
    """
    with released(KIN).open(encoding="utf-8", newline="") as stream:
        return MappingProxyType({int(row["index"]): row["breed_id"] for row in csv.DictReader(stream)})
