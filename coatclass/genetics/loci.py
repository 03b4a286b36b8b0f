"""Coat loci, their alleles and genotypes, read from ``data/``; Mendel's laws over them; laboratories' results.

Mendel counts in exact fractions. Results (N/L, L/L, F/IC, +/-, CT, "two copies") are read as genotypes, or refused with
a reason.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from coatclass.errors import GenotypeError
from coatclass.resources import read_csv, read_toml

__all__ = [
    "LOCI",
    "Allele",
    "DnaResult",
    "Genome",
    "Genotype",
    "GenotypeDistribution",
    "PairTable",
    "allele",
    "alleles",
    "copies",
    "copies_distribution",
    "data_rows",
    "data_table",
    "gametes",
    "genotype",
    "genotype_from_copies",
    "litter_mates",
    "mate",
    "parse_result",
    "parse_results",
    "random_mating",
    "unknown_genotype",
]

_DATA = Path(__file__).with_name("data")

LOCI: tuple[str, ...] = ("FGF5", "RSPO2", "KRT71", "MC5R", "single_coat")
"""The five loci in the order used everywhere: length, furnishings, curl, shedding, undercoat."""

Genotype = tuple[str, str]
"""Two allele names at one locus, sorted: unphased."""

GenotypeDistribution = dict[Genotype, Fraction]
"""Chances of the genotypes at one locus; exact, summing to 1."""


@dataclass(frozen=True)
class Allele:
    """One variant of a locus, as a row of ``data/loci.csv``; ``called`` is its short name for people."""

    locus: str
    name: str
    called: str
    chromosome: str
    ancestral: bool
    variant: str
    effect: str
    inheritance: str
    seen_in: str
    source: str
    read_or_memory: str


def data_rows(name: str) -> tuple[dict[str, str], ...]:
    """Rows of a CSV file of this room."""
    return read_csv(_DATA / name)


@cache
def data_table(name: str) -> dict[str, Any]:
    """A TOML file of this room."""
    return read_toml(_DATA / name)


@cache
def _by_locus() -> Mapping[str, tuple[Allele, ...]]:
    found: dict[str, list[Allele]] = {locus: [] for locus in LOCI}
    for row in data_rows("loci.csv"):
        found[row["locus"]].append(
            Allele(
                locus=row["locus"],
                name=row["allele"],
                called=row["called"],
                chromosome=row["chromosome"],
                ancestral=row["ancestral"] == "yes",
                variant=row["variant"],
                effect=row["effect"],
                inheritance=row["inheritance"],
                seen_in=row["seen_in"],
                source=row["source"],
                read_or_memory=row["read_or_memory"],
            )
        )
    return {locus: tuple(rows) for locus, rows in found.items()}


def alleles(locus: str) -> tuple[Allele, ...]:
    """All known alleles of a locus, the ancestral one first."""
    return _by_locus()[locus]


def allele(locus: str, name: str) -> Allele:
    """One allele by its name.

    Raises:
        KeyError: if the locus has no such allele.
    """
    for candidate in alleles(locus):
        if candidate.name == name:
            return candidate
    raise KeyError(f"{locus} has no allele {name}")


def genotype(locus: str, first: str, second: str) -> Genotype:
    """An unordered pair of alleles; the ancestral one, if any, comes first."""
    order = {candidate.name: place for place, candidate in enumerate(alleles(locus))}
    left, right = sorted((allele(locus, first).name, allele(locus, second).name), key=order.__getitem__)
    return left, right


def copies(locus: str, pair: Genotype) -> int:
    """How many of the two alleles are derived: 0, 1 or 2. Two different derived alleles count as two copies."""
    return sum(not allele(locus, name).ancestral for name in pair)


def copies_distribution(locus: str, distribution: GenotypeDistribution) -> tuple[Fraction, Fraction, Fraction]:
    """Chances of 0, 1 and 2 derived copies."""
    chances = [Fraction(0)] * 3
    for pair, chance in distribution.items():
        chances[copies(locus, pair)] += chance
    return chances[0], chances[1], chances[2]


def genotype_from_copies(locus: str, count: int) -> Genotype:
    """The genotype with 0, 1 or 2 copies of the commonest derived allele of a locus."""
    ancestral, derived = alleles(locus)[0].name, alleles(locus)[1].name
    return genotype(locus, derived if count == 2 else ancestral, derived if count else ancestral)


@cache
def _unknown(locus: str) -> tuple[tuple[Genotype, Fraction], ...]:
    table = data_table("traits.toml")["unknown"]
    derived, mean = table[locus]["allele"], Fraction(table[locus]["frequency"])
    total = Fraction(table["fixation"])
    a, b = mean * total, (1 - mean) * total
    whole = total * (total + 1)
    ancestral = alleles(locus)[0].name
    return (
        ((ancestral, ancestral), b * (b + 1) / whole),
        ((ancestral, derived), 2 * a * b / whole),
        ((derived, derived), a * (a + 1) / whole),
    )


def unknown_genotype(locus: str) -> GenotypeDistribution:
    """Genotype prior at an untested locus of a dog whose breed's state is not known.

    The breed's frequency of the derived allele is Beta distributed (stated prior in ``data/traits.toml``): breeds are
    mostly fixed one way or the other, so both homozygotes are likelier than chance mating over all dogs would give.
    """
    return dict(_unknown(locus))


PairTable = tuple[tuple[Fraction, ...], ...]
"""Chance that one litter mate has i and the other j derived copies at a locus, 3 x 3."""

_HALF = Fraction(1, 2)


@dataclass(frozen=True)
class Genome:
    """What is known of a dog's genotypes: an exact distribution per locus, independent between loci.

    The loci lie on different chromosomes, so they are inherited independently (FGF5 CFA32, RSPO2 CFA13, KRT71 CFA27,
    MC5R CFA1, single coat CFA28).
    """

    loci: Mapping[str, GenotypeDistribution]

    def __hash__(self) -> int:
        return hash(frozenset((locus, frozenset(chances.items())) for locus, chances in self.loci.items()))

    @classmethod
    def of(cls, **known: Genotype | tuple[str, str]) -> Genome:
        """A dog of known genotypes; loci that are not named get the prior."""
        chosen = {
            locus: {genotype(locus, *known[locus]): Fraction(1)} if locus in known else unknown_genotype(locus)
            for locus in LOCI
        }
        return cls(chosen)

    @classmethod
    def unknown(cls) -> Genome:
        """A dog of whom nothing is known."""
        return cls.of()

    def replace(self, **known: GenotypeDistribution) -> Genome:
        """The same dog, with more precise distributions at some loci."""
        return Genome({**self.loci, **known})


def gametes(distribution: GenotypeDistribution) -> dict[str, Fraction]:
    """Chances of the allele that a parent passes on: one half for each of its two."""
    chances: dict[str, Fraction] = {}
    for pair, chance in distribution.items():
        for name in pair:
            chances[name] = chances.get(name, Fraction(0)) + chance * _HALF
    return chances


def _join(locus: str, left: Mapping[str, Fraction], right: Mapping[str, Fraction]) -> GenotypeDistribution:
    chances: GenotypeDistribution = {}
    for first, p in left.items():
        for second, q in right.items():
            pair = genotype(locus, first, second)
            chances[pair] = chances.get(pair, Fraction(0)) + p * q
    return {pair: chance for pair, chance in chances.items() if chance}


def random_mating(locus: str, frequencies: Mapping[str, Fraction]) -> GenotypeDistribution:
    """Genotypes of a breed whose dogs mate at random (Hardy 1908, Weinberg 1908), from its allele frequencies.

    The remainder is the ancestral allele.
    """
    rest = 1 - sum(frequencies.values(), Fraction(0))
    full = {**frequencies, alleles(locus)[0].name: rest} if rest else dict(frequencies)
    return _join(locus, full, full)


@lru_cache(maxsize=1024)
def mate(first: Genome, second: Genome) -> Genome:
    """The expected pup of two unrelated parents."""
    return Genome({locus: _join(locus, gametes(first.loci[locus]), gametes(second.loci[locus])) for locus in LOCI})


def _pup_copies(locus: str, mother: Genotype, father: Genotype) -> tuple[Fraction, Fraction, Fraction]:
    handed_on = [Fraction(copies(locus, pair), 2) for pair in (mother, father)]
    p, q = handed_on
    return (1 - p) * (1 - q), p * (1 - q) + q * (1 - p), p * q


def litter_mates(first: Genome, second: Genome) -> dict[str, PairTable]:
    """Chances of the derived copies of two litter mates, locus by locus.

    The parents' genotypes may be uncertain, but both mates have the same parents: summed over the parents' genotypes,
    so that mates are more alike than two dogs of the same description.
    """
    tables: dict[str, PairTable] = {}
    for locus in LOCI:
        table = [[Fraction(0)] * 3 for _ in range(3)]
        for mother, p in first.loci[locus].items():
            for father, q in second.loci[locus].items():
                pup = _pup_copies(locus, mother, father)
                for i in range(3):
                    for j in range(3):
                        table[i][j] += p * q * pup[i] * pup[j]
        tables[locus] = tuple(tuple(row) for row in table)
    return tables


# --- laboratory text ------------------------------------------------------------------------------------------------


_WORDS = {
    "none": 0, "no": 0, "zero": 0, "clear": 0, "no copies": 0, "not present": 0, "absent": 0, "0": 0,
    "one": 1, "one copy": 1, "single copy": 1, "carrier": 1, "heterozygous": 1, "1": 1,
    "two": 2, "two copies": 2, "both copies": 2, "2": 2,
}  # fmt: skip
_COUNT = re.compile(r"^([012])\s*(?:x|copy|copies|of 2|/ ?2 copies)$")

# How people and laboratories name the test. What follows a locus name (a variant) narrows the notation.
_TEST_NAMES = {
    "FGF5": ("fgf5", "coat length", "hair length", "long hair", "length", "l locus", "coat_length"),
    "RSPO2": ("rspo2", "furnishings", "furnishing", "coat furnishings", "improper coat", "improper_coat", "ic"),
    "KRT71": ("krt71", "curl", "curly coat", "curly", "cu locus", "hair curl"),
    "MC5R": ("mc5r", "shedding", "sd locus", "shed"),
    "single_coat": ("single_coat", "single coat", "double coat", "undercoat", "adrb1", "cfa28"),
}
_VARIANT = re.compile(r"(?:c\.|p\.|g\.|cfa28:)\S+|\bc2\b|\ba237t\b|\bbase\b")


@dataclass(frozen=True)
class DnaResult:
    """A laboratory's result, read.

    Attributes:
        genotypes: the genotype at each locus that was tested.
        notes: assumptions made in reading it, in sentences.
    """

    genotypes: Mapping[str, Genotype]
    notes: tuple[str, ...] = ()

    def genome(self, background: Genome | None = None) -> Genome:
        """The dog's genome: tested loci as found, the others as in ``background`` (default: unknown)."""
        base = background or Genome.unknown()
        known = Genome.of(**dict(self.genotypes))
        return base.replace(**{locus: known.loci[locus] for locus in self.genotypes})


@dataclass(frozen=True)
class _Scheme:
    locus: str
    name: str
    tests: tuple[str, ...]
    rank: int
    symbols: Mapping[str, str]
    says: str

    def read(self, pair: tuple[str, str]) -> Genotype | None:
        """The genotype that two symbols mean in this scheme, None if it doesn't use them."""
        same_letter = pair[0] != pair[1] and pair[0].upper() == pair[1].upper()
        found: list[str] = []
        for symbol in pair:
            name = self.symbols.get(symbol)
            if name is None and not same_letter:
                name = self.symbols.get(symbol.upper())
            if name is None:
                return None
            found.append(name)
        return genotype(self.locus, found[0], found[1])


@cache
def _schemes(locus: str) -> tuple[_Scheme, ...]:
    found = []
    for row in data_rows("notations.csv"):
        if row["locus"] == locus:
            symbols = dict(entry.rsplit("=", 1) for entry in row["symbols"].split())
            tests = tuple(_tests(row["tests"]))
            found.append(_Scheme(locus, row["scheme"], tests, int(row["rank"]), symbols, row["says"]))
    return tuple(found)


def _tests(cell: str) -> list[str]:
    known = [name for names in _TEST_NAMES.values() for name in names if name in cell]
    return [word for word in cell.split() if word[:2] in ("c.", "p.", "g.") or word.startswith("cfa28:")
            or word in ("c2", "a237t", "base")] + known  # fmt: skip


def _locus_of(test: str) -> str:
    plain = test.strip().lower()
    for locus, names in _TEST_NAMES.items():
        if any(re.search(rf"(?<![a-z0-9]){re.escape(name)}(?![a-z0-9])", plain) for name in names):
            return locus
    for locus in LOCI:
        if any(_VARIANT.search(plain) and plain in scheme.tests for scheme in _schemes(locus)):
            return locus
    raise GenotypeError(
        test,
        "is no coat gene that this program knows.",
        "Use one of: FGF5 (length), RSPO2 (furnishings, improper coat), KRT71 (curl), MC5R (shedding), single coat.",
        code="unknown_locus",
    )


def _symbols(text: str) -> tuple[str, str] | None:
    """The two symbols of a result, None if it isn't written as two."""
    plain = text.strip().replace("−", "-").replace("–", "-")
    if "/" in plain or "|" in plain or ">" in plain or "," in plain:
        parts = [part.strip() for part in re.split(r"[/|>,]", plain)]
        return (parts[0], parts[1]) if len(parts) == 2 and all(parts) else None
    if len(plain) == 2:
        return plain[0], plain[1]
    parts = plain.split()
    return (parts[0], parts[1]) if len(parts) == 2 else None


def _count(text: str) -> int | None:
    plain = " ".join(text.strip().lower().split())
    match = _COUNT.match(plain)
    return int(match[1]) if match else _WORDS.get(plain)


def _narrowed(locus: str, test: str) -> tuple[_Scheme, ...]:
    """The notations to try: those made for the named test if it names one, else all general ones."""
    plain = test.strip().lower()
    variant = _VARIANT.search(plain)
    if variant:
        return tuple(scheme for scheme in _schemes(locus) if variant[0] in scheme.tests)
    named = [name for name in _TEST_NAMES[locus] if name in plain and name != locus.lower()]
    special = [scheme for scheme in _schemes(locus) if scheme.rank and set(named) & set(scheme.tests)]
    return tuple(special or (scheme for scheme in _schemes(locus) if scheme.rank))


def _choose(
    locus: str, test: str, text: str, meanings: dict[Genotype, _Scheme], compact: bool
) -> tuple[Genotype, tuple[str, ...]]:
    if len(meanings) == 1:
        return next(iter(meanings)), ()
    bases = [pair for pair, scheme in meanings.items() if compact and scheme.name.startswith("base")]
    best = min(scheme.rank for scheme in meanings.values())
    first = [pair for pair, scheme in meanings.items() if scheme.rank == best]
    chosen = bases if len(bases) == 1 else first
    if len(chosen) == 1:
        used = meanings[chosen[0]]
        other = "; ".join(scheme.says for scheme in meanings.values() if scheme is not used)
        return chosen[0], (f"{test} {text}: read as '{used.says}'. Other laboratories write: {other}.",)
    called = alleles(locus)[1].called
    listed = " / ".join(f"{scheme.says} ({copies(locus, pair)} {called} copies)" for pair, scheme in meanings.items())
    raise GenotypeError(
        f"{test}: {text}",
        f"can be read in more than one way, because laboratories differ: {listed}.",
        f"Write how many copies the dog has of the {called} variant: '0 copies', 'one copy' or 'two copies'.",
        code="ambiguous",
    )


def parse_result(test: str, text: str) -> tuple[str, Genotype, tuple[str, ...]]:
    """Read one result, such as ``("FGF5", "N/L")``, ``("improper coat", "N/IC")``, ``("KRT71 c.451C>T", "CT")``.

    Returns:
        The locus, its genotype, and the assumptions made.

    Raises:
        GenotypeError: unknown test (``unknown_locus``), unreadable (``unreadable``), or ambiguous between
            laboratories (``ambiguous``); the message says what to write instead.
    """
    locus = _locus_of(test)
    schemes = _narrowed(locus, test)
    count = _count(text)
    if count is not None:
        return locus, _counted(locus, test, count, schemes), _untested(locus, test)
    pair = _symbols(text)
    meanings: dict[Genotype, _Scheme] = {}
    for scheme in schemes if pair else ():
        meaning = scheme.read(pair) if pair else None
        if meaning is not None and (meaning not in meanings or scheme.rank < meanings[meaning].rank):
            meanings[meaning] = scheme
    if not meanings:
        symbols = sorted({symbol for scheme in schemes for symbol in scheme.symbols})
        raise GenotypeError(
            f"{test}: {text}",
            "can't be read as two alleles.",
            f"Write two symbols with a stroke between them, out of {', '.join(symbols)}, or 'one copy'.",
            code="unreadable",
        )
    chosen, notes = _choose(locus, test, text, meanings, compact=len(text.strip()) == 2)
    return locus, chosen, notes + _untested(locus, test)


def _counted(locus: str, test: str, count: int, schemes: tuple[_Scheme, ...]) -> Genotype:
    """A number of copies, of the variant that the test names: copies of IC are copies of *no* furnishings."""
    plain = test.lower()
    if locus == "RSPO2" and re.search(r"improper|\bic\b", plain):
        return genotype_from_copies(locus, 2 - count)
    if _VARIANT.search(plain) and schemes:
        derived = next(name for name in schemes[0].symbols.values() if not allele(locus, name).ancestral)
        ancestral = alleles(locus)[0].name
        return genotype(locus, derived if count == 2 else ancestral, derived if count else ancestral)
    return genotype_from_copies(locus, count)


def _untested(locus: str, test: str) -> tuple[str, ...]:
    if locus in ("FGF5", "KRT71") and _VARIANT.search(test.lower()):
        return (f"{test}: only this variant was tested; others of {locus} could be present.",)
    return ()


def parse_results(results: Mapping[str, str]) -> DnaResult:
    """Read all results of a dog; several variants of one gene are put together (two different long alleles: long).

    Raises:
        GenotypeError: as :func:`parse_result`, or ``contradictory`` if the results of one gene can't all be true.
    """
    found: dict[str, Genotype] = {}
    notes: list[str] = []
    for test, text in results.items():
        locus, pair, said = parse_result(test, text)
        notes += said
        found[locus] = _together(locus, test, found[locus], pair) if locus in found else pair
    return DnaResult(found, tuple(dict.fromkeys(notes)))


def _together(locus: str, test: str, first: Genotype, second: Genotype) -> Genotype:
    if first == second:
        return first
    derived = [name for pair in (first, second) for name in pair if not allele(locus, name).ancestral]
    if locus == "single_coat":  # two positions of one haplotype, not two alleles
        return first if copies(locus, first) >= copies(locus, second) else second
    if len(derived) > 2 or (len(set(derived)) == 1 and len(derived) > 1):
        raise GenotypeError(
            test,
            f"contradicts another result for {locus}: together they name {len(derived)} changed copies, and a dog "
            "has two copies of each gene.",
            "Check the two results against the laboratory's sheet and leave one out.",
            code="contradictory",
        )
    filled = [*derived, *[alleles(locus)[0].name] * (2 - len(derived))]
    return genotype(locus, filled[0], filled[1])
