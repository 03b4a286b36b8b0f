"""Parents to pups, over any number of generations: a litter's adult coats, how far litter mates differ, the report.

The report goes from litter to touch test to grown dog, as plain text (no markup, no colour).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from coatclass import breeds
from coatclass.contract import Verdict
from coatclass.errors import InputError
from coatclass.genetics.breed_states import Ancestry, breed_state
from coatclass.genetics.coat_path import CoatPath, CoatStage, growing_up
from coatclass.genetics.loci import (
    LOCI,
    Genome,
    PairTable,
    copies_distribution,
    data_rows,
    data_table,
    litter_mates,
    mate,
    parse_results,
)
from coatclass.genetics.phenotype import (
    Bands,
    Categories,
    Copies,
    Reading,
    TraitChances,
    categories_of_copies,
    coat_chances,
    in_words,
    readings,
    trait_chances,
)
from coatclass.genetics.touch import (
    RankedTouch,
    not_for_hand_stripping,
    outcome_words,
    rank_touches,
    touch_words,
)
from coatclass.taxonomy import CATEGORIES, CoatCategory
from coatclass.words import Catalogue, catalogue, source_in_language

__all__ = [
    "GENERATIONS",
    "Audience",
    "Cross",
    "CrossReport",
    "Generation",
    "Litter",
    "NamedCross",
    "PedigreeDog",
    "breed_named",
    "candidates",
    "cross",
    "litter",
    "mates",
    "named_crosses",
    "report",
    "report_text",
    "resolve",
    "verdict",
]

Generation = Literal["f1", "f1b", "f1bb", "f2", "f2b", "f3"]
GENERATIONS: tuple[Generation, ...] = ("f1", "f1b", "f1bb", "f2", "f2b", "f3")

_COUNTS = tuple(itertools.product(range(3), repeat=5))


@dataclass(frozen=True)
class PedigreeDog:
    """A parent, known by its breed, by a DNA result, or as the pup of two others."""

    name: str
    genome: Genome
    ancestry: Ancestry
    parents: tuple[PedigreeDog, PedigreeDog] | None = None

    @property
    def breed(self) -> str | None:
        """The id of the one breed that all its ancestors are of, None if there are several or they are unknown."""
        return next(iter(self.ancestry.shares)) if len(self.ancestry.shares) == 1 else None

    @classmethod
    def of_breed(cls, text: str, genome: Genome | None = None) -> PedigreeDog:
        """A dog of a breed or common cross by its name or id; its own genome, if tested, overrides the breed's.

        Raises:
            InputError: if the breed isn't known.
        """
        dog = resolve(text)
        return PedigreeDog(dog.name, genome or dog.genome, dog.ancestry, dog.parents)

    @classmethod
    def unknown(cls) -> PedigreeDog:
        """A parent of whom nothing is known."""
        return cls("unknown", Genome.unknown(), Ancestry.of(None))

    def with_(self, other: PedigreeDog, name: str = "") -> PedigreeDog:
        """The expected pup of this dog and another, unrelated one."""
        ancestry = Ancestry.blend_of([(self.ancestry, Fraction(1, 2)), (other.ancestry, Fraction(1, 2))])
        return PedigreeDog(
            name or f"{self.name} x {other.name}", mate(self.genome, other.genome), ancestry, (self, other)
        )


def resolve(text: str) -> PedigreeDog:
    """A dog by the name or id of its breed; a common cross becomes the pup of its parents.

    Raises:
        InputError: if the breed table knows no such breed (code ``unknown_breed``).
    """
    match = breeds.find(text)
    if match.id is None and any(match.parents):
        return _of_parents(match.parents)
    if match.id is None:
        raise InputError(
            f"breed '{text}'",
            "is not in the breed table.",
            "Write the breed's full name, or leave this parent out.",
            code="unknown_breed",
        )
    facts = breeds.facts(match.id)
    if facts.kind == "cross":
        return _of_parents(facts.parents, facts.name)
    return PedigreeDog(facts.name, breed_state(match.id).genome, Ancestry.of(match.id))


def _of_parents(parents: tuple[str | None, ...], name: str = "") -> PedigreeDog:
    """The pup of breeds that are known by id; a missing parent is unknown."""
    pair = [resolve(parent) if parent else PedigreeDog.unknown() for parent in (*parents, None)[:2]]
    return pair[0].with_(pair[1], name)


@dataclass(frozen=True)
class Litter:
    """The pups of two parents as grown dogs.

    Attributes:
        category, band: exact chances for one pup, as grown, over both readings of a curl copy unless one was chosen.
        traits: chances of each trait on its own.
        mates_differ: chance that two litter mates grow coats of different categories.
        without_furnishings: chance of a pup without beard and brows although a parent's breed is furnished
            (an improper coat); 0 where neither parent can have furnishings.
    """

    mother: PedigreeDog
    father: PedigreeDog
    pup: PedigreeDog
    category: Categories
    band: Bands
    traits: TraitChances
    mates_differ: Fraction
    without_furnishings: Fraction
    reading: Reading | Literal["both"]

    @property
    def likely(self) -> tuple[CoatCategory, ...]:
        """Categories from the likeliest down, those below one in fifty left out."""
        ranked = sorted(CATEGORIES, key=lambda coat: self.category[coat], reverse=True)
        return tuple(coat for coat in ranked if self.category[coat] >= Fraction(1, 50))


def litter(mother: PedigreeDog, father: PedigreeDog, reading: Reading | Literal["both"] = "both") -> Litter:
    """The litter of two parents, enumerated exactly (fractions, no sampling)."""
    pup = mother.with_(father)
    coats = coat_chances(pup.genome, pup.ancestry, reading)
    traits = trait_chances(pup.genome, reading)
    either = max(trait_chances(parent.genome).furnished for parent in (mother, father))
    return Litter(
        mother=mother,
        father=father,
        pup=pup,
        category=coats.category,
        band=coats.band,
        traits=traits,
        mates_differ=_mates_differ(mother, father, pup.ancestry, reading),
        without_furnishings=1 - traits.furnished if either else Fraction(0),
        reading=reading,
    )


def _mates_differ(
    mother: PedigreeDog, father: PedigreeDog, ancestry: Ancestry, reading: Reading | Literal["both"]
) -> Fraction:
    """1 - P(two litter mates agree), summed over all pairs of genotypes given the same parents."""
    pairs = list(litter_mates(mother.genome, father.genome).values())
    background = ancestry.background()
    agree = Fraction(0)
    for way, weight in readings(reading).items():
        coats = {found: categories_of_copies(found, background, way).category for found in _possible(pairs)}
        for category in CATEGORIES:
            chances = {found: coat[category] for found, coat in coats.items()}
            agree += weight * _both(chances, pairs)
    return 1 - agree


def _possible(pairs: list[PairTable]) -> tuple[Copies, ...]:
    """The combinations of copies that a pup can have."""
    return tuple(
        (a, b, c, d, e)
        for a, b, c, d, e in _COUNTS
        if all(any(table[n]) for table, n in zip(pairs, (a, b, c, d, e), strict=True))
    )


def _both(chances: dict[Copies, Fraction], pairs: list[PairTable]) -> Fraction:
    """Expected product of a chance over both mates: the pair tables applied one locus at a time."""
    partial: dict[tuple[int, ...], Fraction] = {(*found,): chance for found, chance in chances.items()}
    for place, table in enumerate(pairs):
        turned: dict[tuple[int, ...], Fraction] = {}
        for found, value in partial.items():
            if value:
                for n in range(3):
                    if table[n][found[place]]:
                        key = (*found[:place], n, *found[place + 1 :])
                        turned[key] = turned.get(key, Fraction(0)) + table[n][found[place]] * value
        partial = turned
    return sum((chance * partial.get(found, Fraction(0)) for found, chance in chances.items()), Fraction(0))


@dataclass(frozen=True)
class Cross:
    """A cross of two breeds in some generation, with its litter."""

    first: str
    second: str
    generation: Generation
    litter: Litter


def mates(
    first: PedigreeDog, second: PedigreeDog, generation: Generation, back_to: Literal["first", "second"] = "second"
) -> tuple[PedigreeDog, PedigreeDog]:
    """The two dogs that are mated for a generation of a cross; taken as unrelated.

    Args:
        generation: ``f1`` first cross; ``f1b`` a first-cross dog back to a pure one; ``f1bb`` the same once more;
            ``f2`` two first-cross dogs; ``f2b`` a first-cross and a back-cross dog; ``f3`` two ``f2`` dogs.
        back_to: which of the two a back cross goes to.

    Raises:
        InputError: unknown generation (code ``unknown_generation``).
    """
    pure = second if back_to == "second" else first
    f1 = first.with_(second, f"{first.name} x {second.name} (f1)")
    back = f1.with_(pure, f"{f1.name} x {pure.name} (f1b)")
    f2 = f1.with_(f1, f"{first.name} x {second.name} (f2)")
    known: dict[str, tuple[PedigreeDog, PedigreeDog]] = {
        "f1": (first, second),
        "f1b": (f1, pure),
        "f1bb": (back, pure),
        "f2": (f1, f1),
        "f2b": (f1, back),
        "f3": (f2, f2),
    }
    if generation not in known:
        raise InputError(
            f"generation '{generation}'",
            "is not known.",
            f"Use one of: {', '.join(GENERATIONS)}.",
            code="unknown_generation",
        )
    return known[generation]


def cross(
    first: str | PedigreeDog,
    second: str | PedigreeDog,
    generation: Generation = "f1",
    *,
    back_to: Literal["first", "second"] = "second",
    reading: Reading | Literal["both"] = "both",
) -> Cross:
    """The litter of a cross of two breeds (or dogs) in a generation, see :func:`mates`.

    Raises:
        InputError: unknown breed (``unknown_breed``) or generation (``unknown_generation``).
    """
    a = resolve(first) if isinstance(first, str) else first
    b = resolve(second) if isinstance(second, str) else second
    mother, father = mates(a, b, generation, back_to)
    return Cross(a.name, b.name, generation, litter(mother, father, reading))


# --- what the parents say of the pups, in words ---------------------------------------------------------------------


@dataclass(frozen=True)
class NamedCross:
    """A cross worth showing, a row of ``data/named_crosses.csv``."""

    id: str
    why: str
    first: str
    second: str
    generation: Generation
    dna_first: str
    dna_second: str

    def title(self, language: str = "en") -> str:
        """What it is called."""
        return _texts(language).say(f"example.{self.id}")


@dataclass(frozen=True)
class CrossReport:
    """Everything that genetics can tell about a cross.

    Attributes:
        before: P(category) of a pup as grown, (7,), before any touch test.
        candidates: the smallest set of categories that holds the stated share of it, the likeliest first.
        verdict: what can be said before a touch.
        touch: the one touch that tells most.
        after: by outcome of that touch: candidates and verdict then.
        path: the coat's way from birth on.
    """

    title: str
    cross: Cross
    before: tuple[float, ...]
    candidates: tuple[CoatCategory, ...]
    verdict: Verdict
    touch: RankedTouch
    after: tuple[tuple[str, float, tuple[CoatCategory, ...], Verdict], ...]
    path: CoatPath

    @property
    def litter(self) -> Litter:
        """The litter of the cross."""
        return self.cross.litter


def candidates(distribution: Sequence[float]) -> tuple[CoatCategory, ...]:
    """The smallest set of categories that holds the share stated in ``data/touches.toml``, the likeliest first."""
    share = data_table("touches.toml")["verdict"]["set"]
    found: list[CoatCategory] = []
    held = 0.0
    for place in sorted(range(len(CATEGORIES)), key=lambda place: distribution[place], reverse=True):
        found.append(CATEGORIES[place])
        held += distribution[place]
        if held >= share - 1e-12:
            break
    return tuple(found)


def verdict(distribution: Sequence[float], *, touched: bool) -> Verdict:
    """Settled if one category holds the stated share; a possible mixed coat wants hands; else narrowed."""
    likely = candidates(distribution)
    if CoatCategory.MIXED in likely and not touched:
        return Verdict.HANDS_ON
    return Verdict.SETTLED if len(likely) == 1 else Verdict.NARROWED


def report(found: Cross, title: str = "", *, born: date | None = None, today: date | None = None) -> CrossReport:
    """The report of a cross, by default called after its parents; with a date of birth the path has dates."""
    before = tuple(float(chance) for chance in found.litter.category.values())
    band = tuple(float(chance) for chance in found.litter.band.values())
    best = rank_touches(before)[0]
    return CrossReport(
        title=title or f"{found.first} x {found.second}, {found.generation}",
        cross=found,
        before=before,
        candidates=candidates(before),
        verdict=verdict(before, touched=False),
        touch=best,
        after=tuple(
            (outcome, best.chance[outcome], candidates(then), verdict(then, touched=True))
            for outcome, then in best.would_say.items()
        ),
        path=growing_up(before, band, age_months=0, born=born, today=today or born),
    )


def named_crosses() -> tuple[NamedCross, ...]:
    """The crosses that are shown and tested."""
    return tuple(NamedCross(**row) for row in data_rows("named_crosses.csv"))  # type: ignore[arg-type]


def breed_named(named: NamedCross, reading: Reading | None = None) -> Cross:
    """The cross of a row of ``data/named_crosses.csv``; parents with a DNA result have their own genes."""
    parents = []
    for breed, dna in ((named.first, named.dna_first), (named.second, named.dna_second)):
        dog = PedigreeDog.of_breed(breed)
        if dna:
            test, result = dna.split("=")
            dog = PedigreeDog(dog.name, parse_results({test: result}).genome(dog.genome), dog.ancestry)
        parents.append(dog)
    return cross(parents[0], parents[1], named.generation, reading=reading or "both")


Audience = Literal["owner", "groomer"]

_LARGEST = 64
"""Fractions with a denominator up to this are printed as such; Punnett arithmetic stays readable."""


def in_ten(chance: float, language: str = "en") -> str:
    """A chance as a count of pups, as an owner hears it."""
    for lowest, words in data_table("words.toml")["pups"]:
        if chance >= lowest:
            return _texts(language).say(f"pups.{words}")
    raise AssertionError("words.toml must end with the limit 0")


def genes_exact(dog: PedigreeDog, language: str = "en") -> tuple[str, ...]:
    """One line a locus: copies of the derived allele, with their chances where they aren't certain."""
    texts = _texts(language)
    lines = []
    for locus in LOCI:
        chances = copies_distribution(locus, dog.genome.loci[locus])
        readable = all(chance.denominator <= _LARGEST for chance in chances)
        said = [str(chance) if readable else _percent(chance, texts) for chance in chances]
        parts = [f"{n} ({said[n]})" for n, chance in enumerate(chances) if chance]
        sure = [str(n) for n, chance in enumerate(chances) if chance == 1]
        lines.append(texts.say("copies", locus=texts.say(f"locus.{locus}"), counts=", ".join(sure or parts)))
    return tuple(lines)


def report_text(
    found: CrossReport,
    audience: Audience = "groomer",
    kits: Mapping[str, Sequence[str]] | None = None,
    language: str = "en",
) -> str:
    """The report of a cross as plain text.

    Args:
        found: the report.
        audience: ``owner`` reads words and counts, ``groomer`` percentages and genes.
        kits: names of the tools by stage of the puppy's path, as the toolkit room recommends them for each
            ``stage.situation``, in the same language; left out if not given.
        language: of the report.
    """
    texts = _texts(language)
    path = _path_lines(found, audience, kits or {}, texts)
    litter = _litter_lines(found.litter, audience, texts)
    return "\n".join([found.title, *litter, "", *_touch_lines(found, texts), "", *path]) + "\n"


def _texts(language: str) -> Catalogue:
    return catalogue(language, "genetics")


def _litter_lines(litter: Litter, audience: Audience, texts: Catalogue) -> list[str]:
    mother, father = (breeds.name_in_language(dog.name, texts.language) for dog in (litter.mother, litter.father))
    lines = [
        texts.say("parents", mother=mother, father=father),
        "",
        texts.say("coats"),
        *_coat_lines(litter, audience, texts),
    ]
    differ = float(litter.mates_differ)
    share = in_ten(differ, texts.language) if audience == "owner" else _percent(differ, texts)
    lines.append(texts.say("differ", share=share))
    if litter.without_furnishings:
        lines.append(texts.say("unfurnished", share=_share(litter.without_furnishings, audience, texts)))
    if audience == "groomer":
        lines += _trait_lines(litter, texts)
        lines += [texts.say("pup"), *(f"  {line}" for line in genes_exact(litter.pup, texts.language))]
    return lines


def _coat_lines(litter: Litter, audience: Audience, texts: Catalogue) -> list[str]:
    """A line a coat, in columns: its name, its chance as a count or share, the same in words, what it is."""
    names = {category: texts.title(texts.coat(category)) for category in litter.likely}
    wide = max(8, *map(len, names.values()))
    lines = []
    for category, name in names.items():
        chance = float(litter.category[category])
        said = in_ten(chance, texts.language) if audience == "owner" else f"{_percent(chance, texts):>6}"
        words = catalogue(texts.language).say(f"reasons.chance.{in_words(chance)}")
        note = f" - {texts.definition('coat', category)}" if audience == "owner" else ""
        lines.append(f"  {name:{wide}} {said:18} {words}{note}")
    return lines


def _trait_lines(litter: Litter, texts: Catalogue) -> list[str]:
    def listed(shares: Iterable[tuple[str, Fraction]]) -> str:
        return ", ".join(f"{name} {_percent(share, texts, 0)}" for name, share in shares)

    traits, language = litter.traits, texts.language
    return [
        texts.say(
            "traits",
            long=_exact(traits.long, texts),
            furnished=_exact(traits.furnished, texts),
            curl=listed((texts.word("curl", name), p) for name, p in traits.curl.items()),
            undercoat=listed((outcome_words("undercoat", name, language), p) for name, p in traits.undercoat.items()),
        ),
        texts.say("shedding", shares=listed((texts.say(f"shed.{name}"), p) for name, p in traits.shedding.items())),
        texts.say("trunk", shares=listed((texts.band(band), p) for band, p in litter.band.items() if p)),
    ]


def _exact(chance: Fraction, texts: Catalogue) -> str:
    return str(chance) if chance.denominator <= _LARGEST else _percent(chance, texts)


def _percent(chance: Fraction | float, texts: Catalogue, digits: int = 1) -> str:
    number = f"{float(chance) * 100:.{digits}f}"
    return texts.say("percent", number=_decimal(number, texts))


def _decimal(number: str, texts: Catalogue) -> str:
    """A number with its zeros, so that columns line up, as the language writes it."""
    return number.replace(".", texts.word("writing", "decimal"))


def _share(chance: Fraction, audience: Audience, texts: Catalogue) -> str:
    if audience == "owner":
        return in_ten(float(chance), texts.language)
    return f"{_exact(chance, texts)} ({_percent(chance, texts)})"


def _touch_lines(found: CrossReport, texts: Catalogue) -> list[str]:
    def verdict(of: Verdict) -> str:
        return texts.say(f"verdict.{of}")

    touch, language = found.touch.touch, texts.language
    ask, feel = touch_words(touch.id, language)
    lines = [
        texts.say("before", coats=_names(found.candidates, texts), verdict=verdict(found.verdict)),
        texts.say("touch", bits=_decimal(f"{found.touch.bits:.2f}", texts), ask=ask),
        f"  {texts.say('feel', feel=feel)}",
    ]
    for outcome, chance, then, so in found.after:
        # The curl that a wet lock shows has the same name as the trait.
        curl = texts.has_word("curl", outcome)
        name = texts.word("curl", outcome) if curl else outcome_words(touch.id, outcome, language)
        said = f"{name} ({_percent(chance, texts, 0)})"
        lines.append(f"  {said:24} -> {_names(then, texts)} ({verdict(so)})")
    if CoatCategory.MIXED in found.candidates:
        lines.append(not_for_hand_stripping(language))
    return lines


def _path_lines(
    found: CrossReport, audience: Audience, kits: Mapping[str, Sequence[str]], texts: Catalogue
) -> list[str]:
    low, high = (texts.number(months) for months in found.path.window_months)
    lines = [texts.say("window", low=low, high=high, source=source_in_language(found.path.source, texts.language))]
    for stage in found.path.stages:
        words = f"stages.{stage.id}"
        asks = texts.say(f"{words}.{audience}")
        lines.append(f"  {texts.say('stage', name=texts.say(f'{words}.name'), span=_span(stage, texts), asks=asks)}")
        if kits.get(stage.id):
            lines.append(f"    {texts.say('kit', tools=', '.join(kits[stage.id]))}")
        lines.append(f"    {texts.say('look_again', when=texts.say(f'{words}.look_again'))}")
        if stage.look_again:
            days = ", ".join(texts.say("day", day=day) for day in stage.look_again)
            lines.append(f"    {texts.say('look_days', days=days)}")
    return lines


def _span(stage: CoatStage, texts: Catalogue) -> str:
    low = texts.number(stage.from_months)
    if stage.to_months:
        span = texts.say("span", low=low, high=texts.number(stage.to_months))
    else:
        span = texts.say("span_open", low=low)
    return texts.say("begins", span=span, day=texts.say("day", day=stage.begins)) if stage.begins else span


def _names(found: tuple[CoatCategory, ...], texts: Catalogue) -> str:
    return ", ".join(texts.coat(category) for category in found)
