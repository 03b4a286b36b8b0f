"""A cross from litter to bench: the predicted pups, what one touch would settle, and the puppy's path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from coatclass.contract import Verdict
from coatclass.genetics._bench import TouchFinding, bench
from coatclass.genetics._growing_up import CoatPath, growing_up
from coatclass.genetics._litter import Cross, Dog, Generation, Litter, cross
from coatclass.genetics._loci import data_rows, data_table
from coatclass.genetics._notation import parse_results
from coatclass.genetics._phenotype import Reading
from coatclass.taxonomy import CATEGORIES, CoatCategory

__all__ = ["CrossReport", "NamedCross", "breed_named", "candidates", "named_crosses", "report", "verdict"]


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
    """Everything this room says about a cross.

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
    touch: TouchFinding
    after: tuple[tuple[str, float, tuple[CoatCategory, ...], Verdict], ...]
    path: CoatPath

    @property
    def litter(self) -> Litter:
        """The litter of the cross."""
        return self.cross.litter


def candidates(distribution: Sequence[float]) -> tuple[CoatCategory, ...]:
    """The smallest set of categories that holds the share stated in ``data/bench.toml``, the likeliest first."""
    share = data_table("bench.toml")["verdict"]["set"]
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
    best = bench(before)[0]
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
        dog = Dog.of_breed(breed)
        if dna:
            test, result = dna.split("=")
            dog = Dog(dog.name, parse_results({test: result}).genome(dog.genome), dog.ancestry)
        parents.append(dog)
    return cross(parents[0], parents[1], named.generation, reading=reading or "both")
