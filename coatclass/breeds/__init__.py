"""Coat facts by the name of a breed or cross, with sources, aliases and misspellings; never the last word on a dog."""

from coatclass.breeds._evidence import (
    KnownBy,
    background,
    background_band,
    band_distribution,
    category_distribution,
    cross,
)
from coatclass.breeds._lookup import (
    ALSO_NAMED,
    BreedMatch,
    HowFound,
    find,
    how_read,
    kin_table,
    named_by_imagenet,
)
from coatclass.breeds._names import (
    aliases,
    name_in_language,
    name_of,
    normalise,
    normalise_all,
    says_cross,
    says_nothing,
)
from coatclass.breeds._table import (
    BreedFacts,
    BreedKind,
    Furnishings,
    Shedding,
    TrimHabit,
    check_table,
    facts,
    table,
)

__all__ = [
    "ALSO_NAMED",
    "BreedFacts",
    "BreedKind",
    "BreedMatch",
    "Furnishings",
    "HowFound",
    "KnownBy",
    "Shedding",
    "TrimHabit",
    "aliases",
    "background",
    "background_band",
    "band_distribution",
    "category_distribution",
    "check_table",
    "cross",
    "facts",
    "find",
    "how_read",
    "kin_table",
    "name_in_language",
    "name_of",
    "named_by_imagenet",
    "normalise",
    "normalise_all",
    "says_cross",
    "says_nothing",
    "table",
]
