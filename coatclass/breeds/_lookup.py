"""From names to breeds: what people write (aliases, misspellings, crosses), and the names of ImageNet's dog classes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coatclass.breeds._table import BreedKind, table
from coatclass.resources import damage_told, read_csv, read_toml, released

ALIASES = "datasets/breed_aliases.csv"
KIN = "datasets/imagenet_dogs.csv"
# Further breeds among the synonyms of ImageNet's classes 180 ("..., American pit bull terrier, pit bull terrier"),
# 219 ("cocker spaniel, English cocker spaniel, cocker"), 231 ("collie") and 158 ("toy terrier"); WordNet 3.0.
ALSO_NAMED = ("american_pit_bull_terrier", "english_cocker_spaniel", "collie", "english_toy_terrier_black_and_tan")
_DATA = Path(__file__).with_name("data") / "breeds.toml"
_LONGEST = 200


class HowFound(StrEnum):
    """How a name was found."""

    EXACT = "exact"
    ALIAS = "alias"
    FUZZY = "fuzzy"
    PARENTS = "parents"
    NOTHING = "nothing"


@dataclass(frozen=True)
class BreedMatch:
    """How a text about a dog's breed was read.

    Attributes:
        text: what was written.
        found: how it was found.
        id: the breed, variety or common cross; None if only parents are known, or nothing was found.
        parents: breed ids of both parents of a cross, common or not, None for one that is unknown; else empty.
        score: 0 to 100, how well the text agrees with the name; 100 for an exact name or alias.
        candidates: breeds the text may have meant, (id, score), best first; for asking back.
    """

    text: str
    found: HowFound
    id: str | None = None
    parents: tuple[str | None, ...] = ()
    score: float = 0.0
    candidates: tuple[tuple[str, float], ...] = ()

    @property
    def known(self) -> bool:
        """Whether at least one breed was found."""
        return self.id is not None or any(self.parents)

    @property
    def ids(self) -> tuple[str, ...]:
        """The breed, or those of its parents that are known."""
        return (self.id,) if self.id else tuple(parent for parent in self.parents if parent)

    @property
    def is_cross(self) -> bool:
        """Whether the dog is a cross, common or not."""
        return bool(self.parents)


def find(text: str) -> BreedMatch:
    """Read what somebody wrote about a dog's breed.

    Knows names, aliases, common misspellings, plurals, "Spaniel (Cocker)" as "cocker spaniel", and crosses such as
    "poodle x labrador", "half beagle half pug", "lab mix". "Don't know", "mixed" and the like give no breed.
    Never raises on any text.
    """
    text = text[:_LONGEST]
    plain = normalise(text)
    if _says_nothing(plain):
        return BreedMatch(text, HowFound.NOTHING)
    return (
        _by_name(text, plain)
        or _either(text, plain)
        or _by_parents(text, plain)
        or _by_name(text, _without_fillers(plain))
        or _by_likeness(text, plain)
        or _by_likeness(text, _without_fillers(plain))
        or BreedMatch(text, HowFound.NOTHING, candidates=_likest(plain)[: int(_search()["candidates"])])
    )


def says_cross(text: str) -> bool:
    """Whether a text calls a dog a cross, with or without naming a breed: "mongrel", "terrier mix", a portmanteau."""
    words = normalise(text[:_LONGEST]).split()
    endings = tuple(_words("cross_endings"))
    return any(word in _cross_words() or word.endswith(endings) for word in words)


@cache
def _cross_words() -> frozenset[str]:
    return frozenset(normalise(word) for word in _words("cross_words"))


def normalise(text: str) -> str:
    """Lower case, without accents, punctuation, brackets and plurals: "Setters (Irish)" becomes "irish setter"."""
    text = text.replace("&", " and ").replace("/", " x ")
    if not text.isascii():  # thousands of plain names are read at every start; they need none of this
        text = unicodedata.normalize("NFKD", text.replace("×", " x "))
        text = "".join(letter for letter in text if not unicodedata.combining(letter)).replace("’", "'")
    text = text.lower()
    if "(" in text:
        text = _ABBREVIATED.sub(" ", text)
        text = _IN_BRACKETS.sub(r"\2 \1 \3", _OWNERS.sub("", text).strip())
    elif "'" in text or "`" in text:
        text = _OWNERS.sub("", text)
    if not text.isascii():
        text = text.replace("ø", "o").replace("ł", "l").replace("ß", "ss")
    return " ".join(map(_singular, _WORD.findall(text)))


_ABBREVIATED = re.compile(r"\((imp|int|min|std)\.?\)")
_OWNERS = re.compile(r"['`]s\b")
_IN_BRACKETS = re.compile(r"^([^(]*)\(([^)]*)\)([^()]*)$")
_WORD = re.compile(r"[a-z0-9]+")


def _singular(word: str) -> str:
    """One spelling for yorkie, yorkies, yorky; applied to names and queries alike, so that it need not be English."""
    if len(word) > 3 and word.endswith("s") and not word.endswith("ss"):
        word = word[:-1]
    return f"{word[:-2]}y" if len(word) > 3 and word.endswith("ie") else word


def _words(name: str) -> list[str]:
    words: list[str] = read_toml(_DATA)["words"][name]
    return words


def _search() -> Mapping[str, Any]:
    section: Mapping[str, Any] = read_toml(_DATA)["search"]
    return section


@cache
def _unknown_words() -> frozenset[str]:
    return frozenset(normalise(word) for word in _words("unknown"))


@cache
def _kinds() -> frozenset[str]:
    return frozenset(normalise(word) for word in _words("kinds"))


def _says_nothing(plain: str) -> bool:
    return plain in _unknown_words() or _without_fillers(plain) in _unknown_words()


@cache
def _names() -> Mapping[str, tuple[str, bool]]:
    """Normalised names and aliases to (id, is it the row's own name); ambiguous aliases are left out."""
    names: dict[str, tuple[str, bool]] = {}
    for alias, breed_id in aliases():
        names[normalise(alias)] = (breed_id, False)
    for breed in table().values():
        bare = re.sub(r"\s*\([^)]*\)", "", breed.name)
        inside = re.search(r"\(([^)]*)\)", breed.name)
        # Two rows may share the name outside the brackets; then only the whole name or an alias decides.
        for name in (bare, inside.group(1) if inside and breed.kind is BreedKind.CROSS else bare):
            names.setdefault(normalise(name), (breed.id, True))
    for breed in table().values():
        for name in (breed.name, breed.id.replace("_", " ")):
            names[normalise(name)] = (breed.id, True)
    return names


def aliases() -> Iterable[tuple[str, str]]:
    """All (alias, breed id) of the alias table, in its order."""
    with damage_told(ALIASES):
        rows = read_csv(released(ALIASES))
        if not rows:
            raise ValueError("is empty")
        found = [(row["alias"], row["id"]) for row in rows]
        if any(breed_id not in table() for _, breed_id in found):
            raise ValueError("names a breed that the table lacks")
        return found


def _by_name(text: str, plain: str) -> BreedMatch | None:
    hit = _names().get(plain)
    if hit is None:
        return None
    breed_id, own = hit
    return BreedMatch(text, HowFound.EXACT if own else HowFound.ALIAS, breed_id, _parents(breed_id), score=100.0)


def _parents(breed_id: str) -> tuple[str | None, ...]:
    row = table()[breed_id]
    return (*row.parents, None)[:2] if row.kind is BreedKind.CROSS else ()


def _either(text: str, plain: str) -> BreedMatch | None:
    for word in _words("either"):
        one, found, other = plain.partition(word)
        if found:
            hits = [hit for part in (one, other) if (hit := _one_parent(part)) and hit.id]
            return BreedMatch(text, HowFound.NOTHING, candidates=tuple((str(hit.id), hit.score) for hit in hits))
    return None


def _by_parents(text: str, plain: str) -> BreedMatch | None:
    parts = _taken_apart(plain)
    if not parts:
        return None
    if not parts[1] and _one_parent(parts[0]) is None:
        parts = _two_names(parts[0]) or parts
    hits = [_one_parent(part) for part in parts]
    known = [hit for hit in hits if hit is not None]
    if not known:
        return None
    parents = tuple(hit.id if hit else None for hit in hits)
    score = min(hit.score for hit in known)
    if parents[0] == parents[1]:
        return BreedMatch(text, HowFound.PARENTS, parents[0], score=score)
    return BreedMatch(text, HowFound.PARENTS, _common_cross(parents), parents, score)


def _two_names(names: str) -> tuple[str, str] | None:
    """Two names of breeds that stand side by side without a join, as in "cocker pudel mix"; None if there are none."""
    words = names.split()
    splits = ((" ".join(words[:at]), " ".join(words[at:])) for at in range(1, len(words)))
    return next((pair for pair in splits if all(_by_name(part, part) for part in pair)), None)


def _one_parent(part: str) -> BreedMatch | None:
    bare = _without_fillers(part)
    return _by_name(part, part) or _by_name(part, bare) or _by_likeness(part, bare)


def _taken_apart(plain: str) -> tuple[str, str] | None:
    """The two parents' names of a cross, the second empty if only one is named; None if it is no cross."""
    words = set(_words("mix_words"))
    said = any(word in words for word in plain.split())
    plain = re.sub(r"^.*\b(cross|mix|mixture)( breed)? (of|between) ", "", plain)
    plain = re.sub(r"^(a |an )?(half|part|mixed|mix|cross) ", "", plain)
    for join in _words("joins"):
        one, found, other = f" {plain} ".partition(join)
        one, other = (" ".join(word for word in part.split() if word not in words) for part in (one, other))
        if found and one and other:
            return one, other
    rest = " ".join(word for word in plain.split() if word not in words)
    return (rest, "") if rest and said else None


@cache
def _crosses() -> Mapping[frozenset[str], str]:
    return {
        frozenset(breed.parents): breed.id
        for breed in table().values()
        if breed.kind is BreedKind.CROSS and len(breed.parents) == 2
    }


def _common_cross(parents: tuple[str | None, ...]) -> str | None:
    """The table's cross of these parents, in which a variety (toy poodle) stands for its breed."""
    general = frozenset(_breed_of(parent) for parent in parents if parent)
    return _crosses().get(general) if len(general) == 2 else None


def _breed_of(breed_id: str) -> str:
    row = table()[breed_id]
    return row.parents[0] if row.kind is BreedKind.VARIETY else breed_id


def _without_fillers(plain: str) -> str:
    fillers = set(_words("fillers"))
    return " ".join(word for word in plain.split() if word not in fillers)


def _by_likeness(text: str, plain: str) -> BreedMatch | None:
    ranked = _likest(plain)
    if not ranked or set(plain.split()) <= _kinds():
        return None
    search = _search()
    best, score = ranked[0]
    wanted = search["accept_short"] if len(plain) <= search["short"] else search["accept"]
    runner_up = ranked[1][1] if len(ranked) > 1 else 0.0
    if score < wanted or score - runner_up < search["margin"]:
        return None
    return BreedMatch(text, HowFound.FUZZY, best, _parents(best), score, ranked[: int(search["candidates"])])


def _likest(plain: str) -> tuple[tuple[str, float], ...]:
    """Breed ids with their best score, best first; only those worth suggesting."""
    if len(plain) < 3:
        return ()
    from rapidfuzz import fuzz, process

    names = _names()
    best: dict[str, float] = {}
    for scorer in (fuzz.ratio, fuzz.token_sort_ratio):
        hits = process.extract(plain, names.keys(), scorer=scorer, limit=12, score_cutoff=_search()["suggest"])
        for name, score, _ in hits:
            breed_id = names[name][0]
            best[breed_id] = max(best.get(breed_id, 0.0), round(score, 1))
    return tuple(sorted(best.items(), key=lambda item: (-item[1], item[0])))


@cache
def kin_table() -> Mapping[int, str]:
    """Breed ids by the index of ImageNet's class, 151 to 268, in this order.

    Source: the 1,000 classes of ILSVRC 2012 in ascending order of their WordNet 3.0 ids.
    """
    with damage_told(KIN):
        return MappingProxyType({int(row["index"]): row["breed_id"] for row in read_csv(released(KIN))})


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
    return found in named or _breed_of(found) in named or any(found == _breed_of(name) for name in named)
