"""What breeds are called in other languages: ``data/names.csv``, beside the breed table's own English names."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType

from coatclass.breeds._table import BreedKind, table
from coatclass.resources import damage_told, read_csv

_NAMES = "breeds/data/names.csv"
_COLUMNS = {"language", "id", "name", "source"}
_ENGLISH = "en"
_CALLED = re.compile(r" \((.+)\)$")


@cache
def translated() -> Mapping[str, Mapping[str, str]]:
    """Names by breed id by language; of breeds that are called in a language as in English there is none.

    Raises:
        ModelFilesError: if the file is missing, a row has no source or its breed is not in the table.
    """
    found: dict[str, dict[str, str]] = {}
    with damage_told(_NAMES):
        for row in read_csv(Path(__file__).with_name("data") / "names.csv"):
            if set(row) != _COLUMNS or not all(row.values()) or row["id"] not in table():
                raise ValueError(f"has a row that makes no sense: {row}")
            found.setdefault(row["language"], {})[row["id"]] = row["name"]
    return MappingProxyType(found)


def name_of(breed_id: str, language: str = _ENGLISH) -> str:
    """What a breed, variety or cross is called; a cross without a name of its own by both parents."""
    breed = table()[breed_id]
    if language == _ENGLISH or language not in translated():
        return breed.name
    own = translated()[language].get(breed_id)
    if own is None and " x " in breed.name and len(breed.parents) == 2:
        own = " x ".join(_called(parent) or name_of(parent, language) for parent in breed.parents)
        own += f" ({_called(breed_id)})" if _called(breed_id) else ""
    return own or breed.name


def _called(breed_id: str) -> str:
    """The one word for a common cross (Labradoodle), which all languages share; empty for others."""
    breed = table()[breed_id]
    called = _CALLED.search(breed.name) if breed.kind is BreedKind.CROSS and " x " in breed.name else None
    return called[1].title() if called else ""


def name_in_language(name: str, language: str) -> str:
    """An English name of the table, or several joined by `` x ``, in a language; anything else as it is."""
    if name in _ids():
        return name_of(_ids()[name], language)
    return " x ".join(name_of(_ids()[part], language) if part in _ids() else part for part in name.split(" x "))


@cache
def _ids() -> Mapping[str, str]:
    return {breed.name: breed.id for breed in table().values()}
