"""From names to breeds: what people write (aliases, misspellings, crosses), and the names of ImageNet's dog classes."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coatclass.breeds._names import name_of, translated
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
    "poodle x labrador", "half beagle half pug", "60 % poodle", "father lab, mother unknown", "Dackelmischling". "Don't
    know", "mixed" and the like give no breed, and what a text denies ("not a poodle") is left out.
    Never raises on any text.
    """
    text = text[:_LONGEST]
    as_written = normalise(text)
    if named := _by_name(text, as_written):
        return named
    plain = _read(text)
    if _names_nothing(as_written, plain):
        return BreedMatch(text, HowFound.NOTHING)
    bare = _without_fillers(plain)
    mixes = _set("mix_words") | _set("part_words")
    unmixed = " ".join(word for word in plain.split() if word not in mixes)
    return (
        _by_name(text, plain)
        or _either(text, plain)
        or _by_parents(text, plain)
        or _by_name(text, bare)
        or _by_likeness(text, unmixed)
        or _by_likeness(text, _without_fillers(unmixed))
        or _side_by_side(text, bare)
        or _by_ending(text, bare)
        or BreedMatch(text, HowFound.NOTHING, candidates=_likest(plain)[: int(_search()["candidates"])])
    )


def says_cross(text: str) -> bool:
    """Whether a text calls a dog a cross, with or without naming a breed: "mongrel", "terrier mix", a portmanteau."""
    plain = _read(text[:_LONGEST])
    endings = tuple(_table("portmanteaus"))
    return bool(_cross_words().search(plain)) or any(word.endswith(endings) for word in plain.split())


def says_nothing(text: str) -> bool:
    """Whether a text only says that nobody knows the breed: "no idea", "mixed", "street dog from Romania"."""
    return _names_nothing(normalise(text), _read(text))


def _names_nothing(*told: str) -> bool:
    return any(plain in _set("unknown") or set(plain.split()) <= _nothing_words() for plain in told)


@cache
def _cross_words() -> re.Pattern[str]:
    return _any_of(normalise_all(_words("cross_words")))


def _any_of(phrases: Iterable[str]) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(sorted(map(re.escape, phrases), key=len, reverse=True))})\b")


def _read(text: str) -> str:
    """A text in plain words, without what it denies; shares as "part", and compounds taken apart."""
    text = unicodedata.normalize("NFKC", text).lower().replace("’", "'")
    text = _impure().sub(" mix ", text)
    text = _denied().sub(" ", text)
    text = _WHOLE.sub(" ", text)
    text = _SHARES.sub(" part ", text)
    return " ".join(_apart(word) for word in normalise(text).split())


_WHOLE = re.compile(r"\b100\s*(?:%|percent|per cent|prozent|pct)")
_SHARES = re.compile(
    r"\b\d{1,2}(?:[.,]\d+)?\s*(?:%|percent\b|per cent\b|prozent\b|pct\b)|\b\d{1,2}\s*[/\u2044]\s*\d{1,2}\b"
)


@cache
def _impure() -> re.Pattern[str]:
    denials, purity = (_any_of(_words(name)).pattern for name in ("denials", "purity"))
    return re.compile(rf"{denials}(?: an?| ein(?:e|en)?| une?)? {purity}")


@cache
def _denied() -> re.Pattern[str]:
    denials, ends = (_any_of(_words(name)).pattern for name in ("denials", "denial_ends"))
    return re.compile(rf"{denials}[^,;.:()?!]*?(?={ends}|[,;.:()?!]|$)")


@cache
def _stands_for() -> Mapping[str, str]:
    return {normalise(word): normalise(parents) for word, parents in _table("stands_for").items()}


@lru_cache(maxsize=4096)  # of the words that people type there is no end
def _apart(word: str) -> str:
    """A compound such as "dackelmischling" as two words, a portmanteau as its parents; any other word as it is."""
    if word in _names() or word in _set("unknown"):
        return word
    if word in _stands_for():
        return _stands_for()[word]
    ending = next((ending for ending in _words("compound_endings") if word.endswith(ending)), "")
    stem = word.removesuffix(ending)
    return f"{stem} mix" if ending and len(stem) >= 3 else word


def normalise(text: str) -> str:
    """Lower case, without accents, punctuation, brackets and plurals: "Setters (Irish)" becomes "irish setter".

    Yorkie, yorkies and yorky become one; names and queries are treated alike, so that it need not be English.
    """
    return normalise_all([text])[0]


def normalise_all(texts: Sequence[str]) -> list[str]:
    """:func:`normalise` of each: thousands of names are read at a start, so they go through it as lines of one text."""
    text = "\n".join(one.replace("\n", " ") for one in texts)
    text = unicodedata.normalize("NFKD", text.replace("&", " and ").replace("/", " x ").replace("×", " x "))
    text = _ACCENTS.sub(_unless_combining, text).replace("’", "'").lower()
    text = _IN_BRACKETS.sub(r"\2 \1 \3", _OWNERS.sub("", _ABBREVIATED.sub(" ", text)))
    text = text.replace("ø", "o").replace("ł", "l").replace("ß", "ss")
    text = _IE.sub("y", _PLURAL.sub("", _BETWEEN_WORDS.sub(" ", text)))
    return [line.strip() for line in text.split("\n")] if texts else []


def _unless_combining(letter: re.Match[str]) -> str:
    return "" if unicodedata.combining(letter[0]) else letter[0]


_ACCENTS = re.compile(r"[^\x00-\x7f]")
_ABBREVIATED = re.compile(r"\((imp|int|min|std)\.?\)")
_OWNERS = re.compile(r"['`]s\b")
_IN_BRACKETS = re.compile(r"^([^(\n]*)\(([^)\n]*)\)([^()\n]*)$", re.MULTILINE)
_BRACKETS = re.compile(r"\s*\(([^)]*)\)")
_BETWEEN_WORDS = re.compile(r"[^a-z0-9\n]+")
_PLURAL = re.compile(r"s\b(?<=[a-z0-9]{2}[a-rt-z0-9]s)")  # of words of four letters or more, but for -ss
_IE = re.compile(r"ie\b(?<=[a-z0-9]{2}ie)")


def _words(name: str) -> list[str]:
    words: list[str] = read_toml(_DATA)["words"][name]
    return words


def _search() -> Mapping[str, Any]:
    section: Mapping[str, Any] = read_toml(_DATA)["search"]
    return section


def _table(name: str) -> Mapping[str, str]:
    section: Mapping[str, str] = read_toml(_DATA)[name]
    return section


@cache
def _set(name: str) -> frozenset[str]:
    return frozenset(normalise_all(_words(name)))


@cache
def _nothing_words() -> frozenset[str]:
    """Words that name no breed, even all of them together."""
    of_phrases = {word for phrase in _set("unknown") for word in phrase.split()}
    return _set("fillers") | _set("origins") | _set("mix_words") | of_phrases


@cache
def _names() -> Mapping[str, tuple[str, bool]]:
    """Normalised names and aliases to (id, is it the row's own name); ambiguous aliases are left out."""
    names: dict[str, tuple[str, bool]] = {}
    known = list(_named())
    for plain, (_, breed_id, own, replaces) in zip(normalise_all([name for name, *_ in known]), known, strict=True):
        if replaces or plain not in names:
            names[plain] = (breed_id, own)
    return names


def _named() -> Iterator[tuple[str, str, bool, bool]]:
    """Everything that breeds are called: name, id, is it the row's own name, does it replace one before it."""
    for alias, breed_id in aliases():
        yield alias, breed_id, False, True
    breeds = table().values()
    for breed in breeds:
        # Two rows may share the name outside the brackets; then only the whole name or an alias decides.
        yield _bare(breed.name), breed.id, True, False
        if breed.kind is BreedKind.CROSS and (inside := _BRACKETS.search(breed.name)):
            yield inside[1], breed.id, True, False
    for breed in breeds:
        yield breed.name, breed.id, True, True
        yield breed.id.replace("_", " "), breed.id, True, True
    for language, called in translated().items():
        for breed in breeds:
            if breed.id in called or breed.kind is BreedKind.CROSS:
                yield name_of(breed.id, language), breed.id, False, False
        times = Counter(map(_bare, called.values()))
        for breed_id, name in called.items():
            if times[_bare(name)] == 1:
                yield _bare(name), breed_id, False, False


def _bare(name: str) -> str:
    """A name without what stands in brackets."""
    return _BRACKETS.sub("", name)


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
        for ending, breed_id in _table("portmanteaus").items():
            if word.endswith(ending):
                names = word.removesuffix(ending), normalise(breed_id)
                return _of_two(text, [_by_name(name, name) for name in names])
    return None


def _one_parent(part: str) -> BreedMatch | None:
    bare = _without_fillers(part)
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
    marks, mixes = _set("part_words"), _set("mix_words")
    words = plain.split()
    said = any(word in marks or word in mixes for word in words)
    plain = re.sub(rf"^.*\b({'|'.join(_words('mix_nouns'))}) (of|between|aus|von|zwischen|de|entre) ", "", plain)
    segments = _segments(plain.split(), marks)
    if len(segments) > 1:
        return tuple(segments)
    for join in _words("joins"):
        one, found, other = f" {' '.join(segments)} ".partition(join)
        one, other = (" ".join(word for word in part.split() if word not in mixes) for part in (one, other))
        if found and one and other:
            return one, other
    rest = " ".join(word for word in " ".join(segments).split() if word not in mixes)
    return (rest,) if rest and said else ()


def _segments(words: Sequence[str], marks: Collection[str]) -> list[str]:
    """What stands between marks ("half", "mother"), without joins at its ends; what names nothing is left out."""
    parts: list[list[str]] = [[]]
    for word in words:
        if word in marks:
            parts.append([])
        else:
            parts[-1].append(word)
    joins = {word for join in _words("joins") for word in join.split()}
    for part in parts:
        while len(parts) > 1 and part and part[0] in joins:
            part.pop(0)
        while len(parts) > 1 and part and part[-1] in joins:
            part.pop()
    return [" ".join(part) for part in parts if part and (len(parts) == 1 or _without_fillers(" ".join(part)))]


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
    return " ".join(word for word in plain.split() if word not in _set("fillers"))


def _by_likeness(text: str, plain: str) -> BreedMatch | None:
    ranked = _likest(plain)
    if not ranked or set(plain.split()) <= _set("kinds"):
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
