"""The breed states of the coat genes against two kennel clubs' coat descriptions; each disagreement is explained.

Writes ``datasets/COAT_GENE_AGREEMENT.md``, as part of ``python -m training breeds``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from coatclass import breeds
from coatclass.genetics import breed_state, breeds_with_states, trait_chances
from coatclass.genetics.phenotype import TraitChances
from coatclass.resources import read_csv
from coatclass.taxonomy import Curl, Undercoat
from training.places import ROOT

__all__ = ["PAGE", "Statement", "compare_states", "states_text"]

PAGE = ROOT / "datasets" / "COAT_GENE_AGREEMENT.md"
_EXPLANATIONS = ROOT / "datasets" / "coat_gene_disagreements.csv"

_HALF = Fraction(1, 2)


@dataclass(frozen=True)
class Statement:
    """One statement of a kennel club about a breed.

    Attributes:
        club: ``US`` or ``UK``.
        statement: what the club says, such as ``coat type Wiry``.
        expects: what it means for a dog's traits.
        chance: how likely the breed state makes that trait; the statement is reproduced from one half up.
        why: the explanation if it isn't.
    """

    breed: str
    club: str
    statement: str
    expects: str
    chance: Fraction
    why: str

    @property
    def reproduced(self) -> bool:
        """Whether most dogs of the breed are as the club says."""
        return self.chance >= _HALF


def compare_states(tables: Path) -> tuple[Statement, ...]:
    """Every statement of both clubs that one of the five loci can speak about, for breeds with a state of their own.

    Args:
        tables: the folder with ``kennel_club_us_breed_traits.csv`` and ``kennel_club_uk_breed_coats.csv``.

    "Medium" says nothing about the long-hair gene and "sheds: yes" nothing about a rating; both are left out.
    """
    why = {(row["breed"], row["statement"]): row["explanation"] for row in read_csv(_EXPLANATIONS)}
    known = frozenset(breeds_with_states())
    found = []
    for club, name, statements in _clubs(tables):
        match = breeds.find(name)
        if match.id in known and match.found != "fuzzy" and breeds.facts(match.id).length_mm[1] > 0:
            traits = trait_chances(breed_state(match.id).genome)
            for statement in statements:
                meaning = _meaning(statement, traits)
                if meaning:
                    note = why.get((match.id, f"{club} {statement}"), "")
                    found.append(Statement(match.id, club, statement, *meaning, note))
    return tuple(found)


def _clubs(tables: Path) -> Iterable[tuple[str, str, tuple[str, ...]]]:
    for row in read_csv(tables / "kennel_club_us_breed_traits.csv"):
        coat, length, shedding = row["Coat Type"], row["Coat Length"], row["Shedding Level"]
        said = (f"coat type {coat}", f"length {length}", f"shedding {shedding}")
        yield "US", row["Breed"].replace("\u00a0", " "), said
    for row in read_csv(tables / "kennel_club_uk_breed_coats.csv"):
        yield "UK", row["breed"].removesuffix(" (Imp)"), (f"length {row['Coat length']}", f"sheds {row['Sheds']}")


def _meaning(statement: str, traits: TraitChances) -> tuple[str, Fraction] | None:
    """What a statement expects, and how likely the traits make it; None if no locus speaks about it."""
    bent = 1 - traits.curl[Curl.STRAIGHT]
    down = 1 - traits.undercoat[Undercoat.NONE]
    little = traits.shedding["minimal"] + traits.shedding["low"]
    meanings = {
        "coat type Smooth": ("no furnishings", 1 - traits.furnished),
        "coat type Wiry": ("furnishings", traits.furnished),
        "coat type Rough": ("furnishings", traits.furnished),
        "coat type Double": ("undercoat", down),
        "coat type Curly": ("wave or curl", bent),
        "coat type Corded": ("long hair", traits.long),
        "coat type Silky": ("long hair", traits.long),
        "coat type Wavy": ("long hair", traits.long),
        "length Short": ("short hair, or short with furnishings", 1 - traits.long),
        "length Long": ("long hair", traits.long),
        "shedding 1": ("low shedding", little),
        "shedding 4": ("more than low shedding", 1 - little),
        "shedding 5": ("more than low shedding", 1 - little),
        "sheds No": ("low shedding", little),
    }
    return meanings.get(statement)


def states_text(statements: tuple[Statement, ...]) -> str:
    """The comparison as a Markdown page: counts, then every disagreement with its explanation."""
    compared = sorted({row.breed for row in statements})
    against = [row for row in statements if not row.reproduced]
    clean = len(compared) - len({row.breed for row in against})
    good = len(statements) - len(against)
    lines = [
        "# Breed states against the kennel clubs' coat descriptions",
        "",
        "Written by `python -m training breeds`; do not edit. The states were derived from the breed",
        "standards' coat descriptions and from papers, so this is a check for consistency, not a validation by",
        "independent data. Sources: American Kennel Club ratings (TidyTuesday 2022-02-01); The Kennel Club (UK).",
        "",
        f"- {len(compared)} breeds, {len(statements)} statements; {good} reproduced ({good / len(statements):.1%}).",
        f"- {clean} breeds with every statement reproduced.",
        "- For comparison, the two clubs agree with each other on length in 104 of 127 breeds (81.9 %).",
        "",
        "## Disagreements",
        "",
        "| breed | club | says | that is | by the state | why |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {row.breed} | {row.club} | {row.statement} | {row.expects} | {float(row.chance):.2f} | {row.why} |"
        for row in sorted(against, key=lambda row: (row.breed, row.club, row.statement))
    ]
    lines += ["", "## Breeds compared", "", ", ".join(compared) + "."]
    return "\n".join(lines) + "\n"
