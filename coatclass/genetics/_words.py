"""Chances in words, genes in words, and the report of a cross as plain text; no markup, no colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Literal

from coatclass.genetics._bench import NOT_FOR_HAND_STRIPPING
from coatclass.genetics._litter import Dog
from coatclass.genetics._loci import LOCI, copies_distribution, data_table
from coatclass.genetics._phenotype import trait_chances
from coatclass.genetics._report import CrossReport
from coatclass.taxonomy import CATEGORIES, CoatCategory, Curl, Undercoat, band_label, category_label, definition

__all__ = ["Audience", "chance_words", "genes_exact", "genes_plain", "in_ten", "report_text"]

Audience = Literal["owner", "groomer"]

_LARGEST = 64
"""Fractions with a denominator up to this are printed as such; Punnett arithmetic stays readable."""


def chance_words(chance: float) -> str:
    """A chance in one or two words, always the same ones."""
    for limit, words in data_table("words.toml")["chance"]:
        if chance >= limit:
            return str(words)
    raise AssertionError("words.toml must end with the limit 0")


def in_ten(chance: float) -> str:
    """A chance as a count of pups, as an owner hears it."""
    for lowest, words in data_table("words.toml")["pups"]:
        if chance >= lowest:
            return str(words)
    raise AssertionError("words.toml must end with the limit 0")


def genes_exact(dog: Dog) -> tuple[str, ...]:
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


def genes_plain(dog: Dog) -> tuple[str, ...]:
    """What a dog's genes mean, a short line each, for owners."""
    traits = trait_chances(dog.genome)
    curl = 1 - traits.curl[Curl.STRAIGHT]
    down = 1 - traits.undercoat[Undercoat.NONE]
    bearded = ("beard and brows", traits.furnished)
    pairs = (("long hair", traits.long), bearded, ("wave or curl", curl), ("undercoat", down))
    return tuple(f"{name}: {chance_words(float(chance))}" for name, chance in pairs)


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
    return "\n".join([found.title, *_litter_lines(found, audience), "", *_bench_lines(found), "", *path]) + "\n"


def _litter_lines(found: CrossReport, audience: Audience) -> list[str]:
    litter = found.litter
    lines = [f"Parents: {litter.mother.name} / {litter.father.name}", "", "Adult coats of the litter, as grown:"]
    for category in litter.likely:
        chance = litter.category[category]
        said = in_ten(float(chance)) if audience == "owner" else f"{float(chance):6.1%}"
        note = f" - {definition(category)}" if audience == "owner" else ""
        lines.append(f"  {category_label(category):8} {said:18} {chance_words(float(chance))}{note}")
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


def _share(chance: Fraction, audience: Audience) -> str:
    return in_ten(float(chance)) if audience == "owner" else f"{_exact(chance)} ({float(chance):.1%})"


def _bench_lines(found: CrossReport) -> list[str]:
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
