"""What breeds are called, in every language, and how a text is normalised and read before it is looked up."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coatclass.breeds._table import BreedKind, table
from coatclass.resources import damage_told, read_csv, read_toml, released

ALIASES = "datasets/breed_aliases.csv"
_NAMES = "breeds/data/names.csv"
_COLUMNS = {"language", "id", "name", "source"}
_ENGLISH = "en"
_CALLED = re.compile(r" \((.+)\)$")
_DATA = Path(__file__).with_name("data") / "breeds.toml"
LONGEST = 200


@cache
def translated() -> Mapping[str, Mapping[str, str]]:
    """Names by language and breed id; a breed whose name is the English one has no entry.

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
    """What a breed, variety or cross is called; a cross without a name of its own is named after its parents."""
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


@cache
def known_names() -> Mapping[str, tuple[str, bool]]:
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


def normalise(text: str) -> str:
    """Lower case, without accents, punctuation, brackets and plurals: "Setters (Irish)" becomes "irish setter".

    Yorkie, yorkies and yorky become one; names and queries are treated alike, so the result need not be English.
    """
    return normalise_all([text])[0]


def normalise_all(texts: Sequence[str]) -> list[str]:
    """:func:`normalise` of each: thousands of names are read at start-up, so they are joined into one text."""
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
_PLURAL = re.compile(r"s\b(?<=[a-z0-9]{2}[a-rt-z0-9]s)")  # in words of at least four letters that do not end in -ss
_IE = re.compile(r"ie\b(?<=[a-z0-9]{2}ie)")


def says_cross(text: str) -> bool:
    """Whether a text calls a dog a cross, with or without naming a breed: "mongrel", "terrier mix", a portmanteau."""
    plain = plain_words(text[:LONGEST])
    endings = tuple(word_table("portmanteaus"))
    return bool(_cross_words().search(plain)) or any(word.endswith(endings) for word in plain.split())


def says_nothing(text: str) -> bool:
    """Whether a text only says that nobody knows the breed: "no idea", "mixed", "street dog from Romania"."""
    return names_nothing(normalise(text), plain_words(text))


def names_nothing(*told: str) -> bool:
    """Whether one of these readings of a text, all of them normalised, names no breed."""
    return any(plain in word_set("unknown") or set(plain.split()) <= _nothing_words() for plain in told)


@cache
def _cross_words() -> re.Pattern[str]:
    return _any_of(normalise_all(word_list("cross_words")))


def _any_of(phrases: Iterable[str]) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(sorted(map(re.escape, phrases), key=len, reverse=True))})\b")


def plain_words(text: str) -> str:
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
    denials, purity = (_any_of(word_list(name)).pattern for name in ("denials", "purity"))
    return re.compile(rf"{denials}(?: an?| ein(?:e|en)?| une?)? {purity}")


@cache
def _denied() -> re.Pattern[str]:
    denials, ends = (_any_of(word_list(name)).pattern for name in ("denials", "denial_ends"))
    return re.compile(rf"{denials}[^,;.:()?!]*?(?={ends}|[,;.:()?!]|$)")


@cache
def _stands_for() -> Mapping[str, str]:
    return {normalise(word): normalise(parents) for word, parents in word_table("stands_for").items()}


@lru_cache(maxsize=4096)  # people type words without end
def _apart(word: str) -> str:
    """A compound such as "dackelmischling" as two words, a portmanteau as its parents; any other word as it is."""
    if word in known_names() or word in word_set("unknown"):
        return word
    if word in _stands_for():
        return _stands_for()[word]
    ending = next((ending for ending in word_list("compound_endings") if word.endswith(ending)), "")
    stem = word.removesuffix(ending)
    return f"{stem} mix" if ending and len(stem) >= 3 else word


def without_fillers(plain: str) -> str:
    """Plain words without those that say nothing of a breed, such as "dog" and "pure"."""
    return " ".join(word for word in plain.split() if word not in word_set("fillers"))


@cache
def _nothing_words() -> frozenset[str]:
    """Words that name no breed, even all of them together."""
    of_phrases = {word for phrase in word_set("unknown") for word in phrase.split()}
    return word_set("fillers") | word_set("origins") | word_set("mix_words") | of_phrases


@cache
def word_set(name: str) -> frozenset[str]:
    """A list of words of ``data/breeds.toml``, normalised."""
    return frozenset(normalise_all(word_list(name)))


def word_list(name: str) -> list[str]:
    """A list of words of ``data/breeds.toml`` as it is written, in its order."""
    words: list[str] = read_toml(_DATA)["words"][name]
    return words


def settings(section: str) -> Mapping[str, Any]:
    """A section of ``data/breeds.toml``, such as the limits of the search by likeness."""
    values: Mapping[str, Any] = read_toml(_DATA)[section]
    return values


def word_table(name: str) -> Mapping[str, str]:
    """A table of ``data/breeds.toml``: what a word or an ending stands for."""
    section: Mapping[str, str] = read_toml(_DATA)[name]
    return section
