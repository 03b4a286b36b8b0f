"""A cross from litter to touch test to grown dog: the report, and its plain text (no markup, no colour)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from coatclass.contract import Verdict
from coatclass.genetics.coat_path import CoatPath, growing_up
from coatclass.genetics.lab_results import parse_results
from coatclass.genetics.litters import Cross, Generation, Litter, PedigreeDog, cross
from coatclass.genetics.loci import LOCI, copies_distribution, data_rows, data_table
from coatclass.genetics.phenotype import Reading, in_words
from coatclass.genetics.touch import NOT_FOR_HAND_STRIPPING, RankedTouch, rank_touches
from coatclass.taxonomy import CATEGORIES, CoatCategory, band_label, category_label, definition
from coatclass.words import catalogue

__all__ = [
    "Audience",
    "CrossReport",
    "NamedCross",
    "breed_named",
    "candidates",
    "named_crosses",
    "report",
    "report_text",
    "verdict",
]


@dataclass(frozen=True)
class NamedCross:
    """A cross worth showing, a row of ``data/named_crosses.csv``."""

    id: str
    title: str
    why: str
    first: str
    second: str
    generation: Generation
    dna_first: str
    dna_second: str


@dataclass(frozen=True)
class CrossReport:
    """Everything that genetics says about a cross.

    Attributes:
        before: P(category) of a pup as grown, (7,), before anybody touched it.
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
    """The report of a cross; with a date of birth the path has dates."""
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


def in_ten(chance: float) -> str:
    """A chance as a count of pups, as an owner hears it."""
    for lowest, words in data_table("words.toml")["pups"]:
        if chance >= lowest:
            return str(words)
    raise AssertionError("words.toml must end with the limit 0")


def genes_exact(dog: PedigreeDog) -> tuple[str, ...]:
    """One line a locus: copies of the derived allele, with their chances where they aren't certain."""
    lines = []
    for locus in LOCI:
        chances = copies_distribution(locus, dog.genome.loci[locus])
        number = _exact if all(chance.denominator <= _LARGEST for chance in chances) else _percent
        parts = [f"{n} ({number(chance)})" for n, chance in enumerate(chances) if chance]
        sure = [str(n) for n, chance in enumerate(chances) if chance == 1]
        lines.append(f"{data_table('words.toml')['locus'][locus]} copies: {', '.join(sure or parts)}")
    return tuple(lines)


def _exact(chance: Fraction) -> str:
    return str(chance) if chance.denominator <= _LARGEST else _percent(chance)


def _percent(chance: Fraction) -> str:
    return f"{float(chance):.1%}"


def report_text(
    found: CrossReport, audience: Audience = "groomer", kits: Mapping[str, Sequence[str]] | None = None
) -> str:
    """The report of a cross as plain text.

    Args:
        found: the report.
        audience: ``owner`` reads words and counts, ``groomer`` percentages and genes.
        kits: names of the tools by stage of the puppy's path, as the toolkit room recommends them for each
            ``stage.situation``; left out if not given.
    """
    path = _path_lines(found, audience, kits or {})
    return "\n".join([found.title, *_litter_lines(found, audience), "", *_touch_lines(found), "", *path]) + "\n"


def _litter_lines(found: CrossReport, audience: Audience) -> list[str]:
    litter = found.litter
    lines = [f"Parents: {litter.mother.name} / {litter.father.name}", "", "Adult coats of the litter, as grown:"]
    for category in litter.likely:
        chance = litter.category[category]
        said = in_ten(float(chance)) if audience == "owner" else f"{float(chance):6.1%}"
        note = f" - {definition(category)}" if audience == "owner" else ""
        lines.append(f"  {category_label(category):8} {said:18} {_chance(float(chance))}{note}")
    differ = float(litter.mates_differ)
    lines.append(f"Two litter mates grow different coats: {in_ten(differ) if audience == 'owner' else f'{differ:.1%}'}")
    if litter.without_furnishings:
        lines.append(f"Without beard and brows: {_share(litter.without_furnishings, audience)}")
    if audience == "groomer":
        traits = litter.traits
        lines += [
            f"Long {_exact(traits.long)}, furnished {_exact(traits.furnished)}; "
            + "curl "
            + ", ".join(f"{name} {float(p):.0%}" for name, p in traits.curl.items())
            + "; undercoat "
            + ", ".join(f"{name} {float(p):.0%}" for name, p in traits.undercoat.items()),
            "Shedding " + ", ".join(f"{name} {float(p):.0%}" for name, p in traits.shedding.items()),
            "Trunk hair " + ", ".join(f"{band_label(band)} {float(p):.0%}" for band, p in litter.band.items() if p),
        ]
        lines += ["Pup:", *(f"  {line}" for line in genes_exact(litter.pup))]
    return lines


def _chance(chance: float) -> str:
    return catalogue().say(f"reasons.chance.{in_words(chance)}")


def _share(chance: Fraction, audience: Audience) -> str:
    return in_ten(float(chance)) if audience == "owner" else f"{_exact(chance)} ({float(chance):.1%})"


def _touch_lines(found: CrossReport) -> list[str]:
    lines = [
        f"Before a touch: {_names(found.candidates)} ({found.verdict.replace('_', ' ')})",
        f"Touch that tells most ({found.touch.bits:.2f} bits): {found.touch.touch.ask}",
        f"  How: {found.touch.touch.feel}",
    ]
    for outcome, chance, then, verdict in found.after:
        said = f"{outcome.replace('_', ' ')} ({chance:.0%})"
        lines.append(f"  {said:24} -> {_names(then)} ({verdict.replace('_', ' ')})")
    if CoatCategory.MIXED in found.candidates:
        lines.append(NOT_FOR_HAND_STRIPPING)
    return lines


def _path_lines(found: CrossReport, audience: Audience, kits: Mapping[str, Sequence[str]]) -> list[str]:
    low, high = found.path.window_months
    lines = [f"The adult coat comes in between {low:g} and {high:g} months ({found.path.source})."]
    for stage in found.path.stages:
        start, end = stage.from_months, stage.to_months
        span = f"{start:g} to {end:g} months" if end else f"from {start:g} months"
        dated = f", {stage.begins.isoformat()} on" if stage.begins else ""
        lines.append(f"  {stage.name} ({span}{dated}): {stage.owner if audience == 'owner' else stage.groomer}")
        if kits.get(stage.id):
            lines.append(f"    Kit: {', '.join(kits[stage.id])}.")
        lines.append(f"    Look again {stage.look_for}.")
        if stage.look_again:
            lines.append(f"    On {', '.join(day.isoformat() for day in stage.look_again)}.")
    return lines


def _names(found: tuple[CoatCategory, ...]) -> str:
    return ", ".join(category_label(category).lower() for category in found) or category_label(CATEGORIES[0])
