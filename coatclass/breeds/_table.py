"""The breed table: one row a breed, variety or common cross, read once and checked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import MappingProxyType

from coatclass.errors import InputError, ModelFilesError
from coatclass.resources import damage_told, read_csv, released
from coatclass.taxonomy import CoatCategory, Curl, Texture, Undercoat

TABLE = "datasets/breeds.csv"
COLUMNS = (
    "id", "name", "kind", "parents", "category_grown", "category_trimmed", "trimmed", "alternatives",
    "length_mm_low", "length_mm_high", "trimmed_mm_low", "trimmed_mm_high", "undercoat", "texture", "curl",
    "furnishings", "shedding", "keeps_growing", "weight_kg_low", "weight_kg_high", "fci_number", "varieties", "source",
)  # fmt: skip


class BreedKind(StrEnum):
    """What a row of the table stands for; a type is bred for its work, to no written standard."""

    BREED = "breed"
    VARIETY = "variety"
    CROSS = "cross"
    TYPE = "type"


class TrimHabit(StrEnum):
    """How often a pet of the breed wears a trim."""

    NEVER = "never"
    SOMETIMES = "sometimes"
    USUALLY = "usually"
    NEARLY_ALWAYS = "nearly_always"


class Furnishings(StrEnum):
    """Beard and brows."""

    YES = "yes"
    NO = "no"
    VARIES = "varies"


class Shedding(StrEnum):
    """How the coat lets go of hair."""

    LITTLE = "little"
    SEASONAL = "seasonal"
    STEADY = "steady"


@dataclass(frozen=True)
class BreedFacts:
    """What is usual for a breed, variety or common cross. Never the last word on a dog.

    Attributes:
        parents: breed ids of a cross (what is known of them), or the breed that a variety belongs to.
        category_grown, category_trimmed: the coat left to grow, and as it is customarily cut short.
        alternatives: other categories that occur as grown, with their share of dogs; the rest wears category_grown.
        length_mm: usual trunk hair as grown, low and high, mm; 0 to 0 for a hairless trunk.
        trimmed_mm: usual trunk hair in a trim, low and high, mm; None where no trim is usual.
        weight_kg: usual weight of grown dogs, low and high, kg, over all sizes of the breed.
        fci_number: number of the breed's standard with the Fédération Cynologique Internationale, None if it has none.
        source: where the row's facts come from.
    """

    id: str
    name: str
    kind: BreedKind
    parents: tuple[str, ...]
    category_grown: CoatCategory
    category_trimmed: CoatCategory
    trimmed: TrimHabit
    alternatives: Mapping[CoatCategory, float]
    length_mm: tuple[float, float]
    trimmed_mm: tuple[float, float] | None
    undercoat: Undercoat
    texture: Texture
    curl: Curl
    furnishings: Furnishings
    shedding: Shedding
    keeps_growing: bool
    weight_kg: tuple[float, float]
    fci_number: int | None
    varieties: str
    source: str


@cache
def table() -> Mapping[str, BreedFacts]:
    """All rows by id, in the order of the file.

    Raises:
        ModelFilesError: if the file is missing or a row breaks the schema.
    """
    with damage_told(TABLE):
        breeds, problems = _read(released(TABLE))
    if problems:
        raise ModelFilesError(TABLE, f"is damaged: {problems[0]}.", "Install coatclass again.", code="damaged_table")
    return MappingProxyType({breed.id: breed for breed in breeds})


def facts(breed_id: str) -> BreedFacts:
    """What is usual for the breed with this id (``breeds.find`` turns names into ids).

    Raises:
        InputError: if the table holds no such id.
    """
    try:
        return table()[breed_id]
    except KeyError:
        raise InputError(
            "breed", f"'{breed_id}' is not in the breed table.", "Look the name up first.", code="unknown_breed"
        ) from None


def check_table(path: Path | None = None) -> tuple[str, ...]:
    """Everything wrong with the breed table, one sentence each; empty if it is sound."""
    with damage_told(TABLE):
        return tuple(_read(path or released(TABLE))[1])


def _read(path: Path) -> tuple[list[BreedFacts], list[str]]:
    rows = read_csv(path)
    if not rows:
        return [], ["the table is empty"]
    if tuple(rows[0]) != COLUMNS:
        return [], [f"the columns should be {', '.join(COLUMNS)}"]
    ids = Counter(row["id"] for row in rows)
    breeds: list[BreedFacts] = []
    problems = [f"the id {name} is used {times} times" for name, times in ids.items() if times > 1]
    for row in rows:
        try:
            breed = _facts(row)
        except (ValueError, KeyError, TypeError) as error:
            problems.append(f"{row['id']}: can't be read ({error})")
            continue
        breeds.append(breed)
        problems.extend(f"{breed.id}: {problem}" for problem in _row_problems(breed, ids.keys()))
    return breeds, problems


def _row_problems(breed: BreedFacts, ids: AbstractSet[str]) -> Iterable[str]:
    if not breed.source:
        yield "has no source"
    if not breed.name or breed.id != breed.id.lower().replace(" ", "_"):
        yield "needs a name and an id in lower case without spaces"
    if not set(breed.parents) <= ids:
        yield f"names parents that are not in the table: {sorted(set(breed.parents) - ids)}"
    if breed.kind in {BreedKind.CROSS, BreedKind.VARIETY} and not breed.parents:
        yield f"is a {breed.kind} and names no parent"
    if not 0 <= breed.length_mm[0] <= breed.length_mm[1] <= 500:
        yield "trunk length must be 0 to 500 mm, low before high"
    if breed.trimmed_mm and not 0 < breed.trimmed_mm[0] <= breed.trimmed_mm[1] <= breed.length_mm[1]:
        yield "a trim can't be longer than the coat as grown"
    if (breed.trimmed is TrimHabit.NEVER) != (breed.trimmed_mm is None):
        yield "a length of the trim is needed exactly where a trim is customary"
    if not 0 < breed.weight_kg[0] <= breed.weight_kg[1] <= 120:
        yield "weight must be above 0 and at most 120 kg, low before high"
    if any(not 0 < share < 1 for share in breed.alternatives.values()) or sum(breed.alternatives.values()) >= 0.75:
        yield "the alternatives' shares must be above 0 and leave at least a quarter to the main category"
    if breed.category_grown in breed.alternatives:
        yield "the main category can't be its own alternative"


# The same few words stand in hundreds of rows; an enumeration takes its time to find one.
_kind, _trim, _coat = cache(BreedKind), cache(TrimHabit), cache(CoatCategory)
_undercoat, _texture, _curl = cache(Undercoat), cache(Texture), cache(Curl)
_furnishings, _shedding = cache(Furnishings), cache(Shedding)


def _facts(row: Mapping[str, str]) -> BreedFacts:
    alternatives = (part.split(":") for part in _parts(row["alternatives"]))
    return BreedFacts(
        id=row["id"],
        name=row["name"],
        kind=_kind(row["kind"]),
        parents=tuple(_parts(row["parents"])),
        category_grown=_coat(row["category_grown"]),
        category_trimmed=_coat(row["category_trimmed"]),
        trimmed=_trim(row["trimmed"]),
        alternatives=MappingProxyType({_coat(name): float(share) for name, share in alternatives}),
        length_mm=(float(row["length_mm_low"]), float(row["length_mm_high"])),
        trimmed_mm=(float(row["trimmed_mm_low"]), float(row["trimmed_mm_high"])) if row["trimmed_mm_low"] else None,
        undercoat=_undercoat(row["undercoat"]),
        texture=_texture(row["texture"]),
        curl=_curl(row["curl"]),
        furnishings=_furnishings(row["furnishings"]),
        shedding=_shedding(row["shedding"]),
        keeps_growing={"yes": True, "no": False}[row["keeps_growing"]],
        weight_kg=(float(row["weight_kg_low"]), float(row["weight_kg_high"])),
        fci_number=int(row["fci_number"]) if row["fci_number"] else None,
        varieties=row["varieties"],
        source=row["source"],
    )


def _parts(cell: str) -> list[str]:
    return cell.split(";") if cell else []
