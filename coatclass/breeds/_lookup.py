"""From what people write to the breed that they mean: aliases, misspellings, crosses; and ImageNet's dog classes."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from types import MappingProxyType

from coatclass.breeds._names import (
    LONGEST,
    known_names,
    name_of,
    names_nothing,
    normalise,
    plain_words,
    says_cross,
    says_nothing,
    settings,
    without_fillers,
    word_list,
    word_set,
    word_table,
)
from coatclass.breeds._table import BreedKind, table
from coatclass.resources import damage_told, read_csv, released
from coatclass.words import catalogue

KIN = "datasets/imagenet_dogs.csv"
# Further breeds among the synonyms of ImageNet's classes 180 ("..., American pit bull terrier, pit bull terrier"),
# 219 ("cocker spaniel, English cocker spaniel, cocker"), 231 ("collie") and 158 ("toy terrier"); WordNet 3.0.
ALSO_NAMED = ("american_pit_bull_terrier", "english_cocker_spaniel", "collie", "english_toy_terrier_black_and_tan")


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
    "poodle x labrador", "half beagle half pug", "60 % poodle", "father lab, mother unknown", "Dackelmischling". "Don't
    know", "mixed" and the like give no breed, and what a text denies ("not a poodle") is left out.
    Never raises on any text.
    """
    text = text[:LONGEST]
    as_written = normalise(text)
    if named := _by_name(text, as_written):
        return named
    plain = plain_words(text)
    if names_nothing(as_written, plain):
        return BreedMatch(text, HowFound.NOTHING)
    bare = without_fillers(plain)
    mixes = word_set("mix_words") | word_set("part_words")
    unmixed = " ".join(word for word in plain.split() if word not in mixes)
    return (
        _by_name(text, plain)
        or _either(text, plain)
        or _by_parents(text, plain)
        or _by_name(text, bare)
        or _by_likeness(text, unmixed)
        or _by_likeness(text, without_fillers(unmixed))
        or _side_by_side(text, bare)
        or _by_ending(text, bare)
        or BreedMatch(text, HowFound.NOTHING, candidates=_likest(plain)[: int(settings("search")["candidates"])])
    )


def may_cord(text: str) -> bool:
    """Whether a coat described like this may hang in cords: a breed of which it is usual, or a word for it."""
    section = settings("cords")
    if set(plain_words(text).split()) & set(section["words"]):
        return True
    return find(text).id in section["breeds"]


def may_be_hairless(text: str) -> bool:
    """Whether a dog described like this usually has next to no hair on its trunk: its breed, or a word for it."""
    match = find(text)
    if match.id is not None:
        return table()[match.id].length_mm[1] <= 0
    return not match.parents and bool(set(plain_words(text).split()) & set(settings("hairless")["words"]))


def cords_from_months() -> float:
    """The age from which such a coat is reckoned to hang in cords where nobody said, months."""
    return float(settings("cords")["from_months"])


def how_read(text: str, language: str = "en") -> str:
    """Tell people how a breed's name was understood, or that it was not; empty if it was taken literally."""
    say = catalogue(language, "terminal").say

    def name(breed: str | None) -> str:
        return name_of(breed, language) if breed else say("breed.unknown")

    match = find(text)
    if not match.known and says_cross(text):
        return say("breed.cross_of_unknown", name=text)
    if says_nothing(text):
        return ""
    if not match.known:
        likest = ", ".join(name(breed) for breed, _ in match.candidates[:3])
        ask = f" {say('breed.did_you_mean', breeds=likest)}" if likest else ""
        return say("breed.not_known", name=text) + ask
    parents = " x ".join(name(parent) for parent in match.parents)
    read = name(match.id) if match.id else parents
    if match.id and parents:
        read = f"{read} ({parents})"
    generation = re.search(r"\bf[123]b{0,2}\b", text.casefold())
    if generation is None:
        return "" if text.strip().casefold() == read.casefold() else say("breed.read_as", name=text, breed=read)
    return say("breed.generation", name=text, breed=read, generation=generation[0].upper())


def _by_name(text: str, plain: str) -> BreedMatch | None:
    hit = known_names().get(plain)
    if hit is None:
        return None
    breed_id, own = hit
    return BreedMatch(text, HowFound.EXACT if own else HowFound.ALIAS, breed_id, _parents(breed_id), score=100.0)


def _parents(breed_id: str) -> tuple[str | None, ...]:
    row = table()[breed_id]
    return (*row.parents, None)[:2] if row.kind is BreedKind.CROSS else ()


def _either(text: str, plain: str) -> BreedMatch | None:
    for word in word_list("either"):
        one, found, other = plain.partition(word)
        if found:
            hits = [hit for part in (one, other) if (hit := _one_parent(part)) and hit.id]
            return BreedMatch(text, HowFound.NOTHING, candidates=tuple((str(hit.id), hit.score) for hit in hits))
    return None


def _by_parents(text: str, plain: str) -> BreedMatch | None:
    parts = _taken_apart(plain)
    if not parts:
        return None
    if len(parts) == 1 and not _by_name(text, parts[0]):
        parts = _two_names(parts[0]) or parts
    hits = [None if says_nothing(part) else _one_parent(part) for part in (*parts, "")[:2]]
    if not any(hits):
        hits = [*_names_within(parts[0]), None, None][:2]
    return _of_two(text, hits)


def _of_two(text: str, hits: Sequence[BreedMatch | None]) -> BreedMatch | None:
    """The cross of two parents, each None if unknown; two of one breed are that breed, the variety if one is named."""
    known = [hit for hit in hits if hit is not None]
    if not known:
        return None
    score = min(hit.score for hit in known)
    parents = tuple(hit.id if hit else None for hit in hits)
    breeds = {_breed_of(parent) for parent in parents if parent}
    if len(known) == 2 and len(breeds) == 1:
        one = next((parent for parent in parents if parent not in breeds), parents[0])
        return BreedMatch(text, HowFound.PARENTS, one, score=score)
    return BreedMatch(text, HowFound.PARENTS, _common_cross(parents), parents, score)


def _two_names(names: str) -> tuple[str, str] | None:
    """Two names of breeds that stand side by side without a join, as in "cocker pudel mix"; None if there are none."""
    words = names.split()
    splits = ((" ".join(words[:at]), " ".join(words[at:])) for at in range(1, len(words)))
    return next((pair for pair in splits if all(_by_name(part, part) for part in pair)), None)


def _names_within(words: str) -> list[BreedMatch]:
    """The names of breeds among other words, from the left, the longest first: of "poodle hound" the poodle."""
    left, found = words.split(), []
    while left:
        heads = (" ".join(left[:end]) for end in range(len(left), 0, -1))
        hit = next((hit for head in heads if (hit := _by_name(head, head))), None)
        found += [hit] if hit else []
        left = left[len(hit.text.split()) if hit else 1 :]
    return found


def _side_by_side(text: str, bare: str) -> BreedMatch | None:
    """Nothing but two names of breeds: "poodle lab"."""
    pair = _two_names(bare)
    return _of_two(text, [_by_name(part, part) for part in pair]) if pair else None


def _by_ending(text: str, bare: str) -> BreedMatch | None:
    """A portmanteau that the table lacks, by its ending: "rottiedoodle" has a poodle among its parents."""
    for word in bare.split():
        for ending, breed_id in word_table("portmanteaus").items():
            if word.endswith(ending):
                names = word.removesuffix(ending), normalise(breed_id)
                return _of_two(text, [_by_name(name, name) for name in names])
    return None


def _one_parent(part: str) -> BreedMatch | None:
    bare = without_fillers(part)
    pair = _two_names(bare)
    common = _common_cross(tuple(hit.id for name in pair if (hit := _by_name(name, name)))) if pair else None
    return (
        _by_name(part, part)
        or _by_name(part, bare)
        or (_by_name(common, normalise(common)) if common else None)
        or _by_likeness(part, bare)
    )


def _taken_apart(plain: str) -> tuple[str, ...]:
    """The names of the parents of a cross, one or more; empty if it is no cross."""
    marks, mixes = word_set("part_words"), word_set("mix_words")
    words = plain.split()
    said = any(word in marks or word in mixes for word in words)
    plain = re.sub(rf"^.*\b({'|'.join(word_list('mix_nouns'))}) (of|between|aus|von|zwischen|de|entre) ", "", plain)
    segments = _segments(plain.split(), marks)
    if len(segments) > 1:
        return tuple(segments)
    for join in word_list("joins"):
        one, found, other = f" {' '.join(segments)} ".partition(join)
        one, other = (" ".join(word for word in part.split() if word not in mixes) for part in (one, other))
        if found and one and other:
            return one, other
    rest = " ".join(word for word in " ".join(segments).split() if word not in mixes)
    return (rest,) if rest and said else ()


def _segments(words: Sequence[str], marks: Collection[str]) -> list[str]:
    """What stands between marks ("half", "mother"), without joining words at the ends; empty parts are left out."""
    parts: list[list[str]] = [[]]
    for word in words:
        if word in marks:
            parts.append([])
        else:
            parts[-1].append(word)
    joins = {word for join in word_list("joins") for word in join.split()}
    for part in parts:
        while len(parts) > 1 and part and part[0] in joins:
            part.pop(0)
        while len(parts) > 1 and part and part[-1] in joins:
            part.pop()
    return [" ".join(part) for part in parts if part and (len(parts) == 1 or without_fillers(" ".join(part)))]


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


def _by_likeness(text: str, plain: str) -> BreedMatch | None:
    ranked = _likest(plain)
    if not ranked or set(plain.split()) <= word_set("kinds"):
        return None
    search = settings("search")
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

    names = known_names()
    best: dict[str, float] = {}
    for scorer in (fuzz.ratio, fuzz.token_sort_ratio):
        hits = process.extract(plain, names.keys(), scorer=scorer, limit=12, score_cutoff=settings("search")["suggest"])
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
