"""Laboratories' results (N/L, L/L, F/IC, +/-, CT, "two copies"), read as genotypes or refused with a reason."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from coatclass.errors import GenotypeError
from coatclass.genetics.loci import (
    LOCI,
    Genome,
    Genotype,
    allele,
    alleles,
    copies,
    data_rows,
    genotype,
    genotype_from_copies,
)

__all__ = [
    "DnaResult",
    "parse_result",
    "parse_results",
]

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
