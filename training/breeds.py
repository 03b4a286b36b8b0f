"""``python -m training breeds``: the breed table and the breeds' coat genes beside published tables and the photos.

Nothing here changes the table: it counts, lists every disagreement and writes ``datasets/BREED_AGREEMENT.md`` and, of
the genes, ``COAT_GENE_AGREEMENT.md``.
"""

from __future__ import annotations

import argparse
import math
import os
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from coatclass import breeds
from coatclass.breeds import BreedFacts
from coatclass.genetics import breed_state, breeds_with_states, trait_chances
from coatclass.genetics.phenotype import TraitChances
from coatclass.taxonomy import CATEGORIES, CoatCategory, Curl, Texture, Undercoat
from training.places import ROOT, add_photos_argument, read_csv

# The clubs' "short, medium, long" are not millimetres anywhere. These limits are where the clubs' words part the
# lengths in the FCI's standards best (54 ratings; 26 to 28 and 90 to 145 mm are equally good): no figure of ours.
SHORT_BELOW_MM, LONG_FROM_MM = 27.0, 90.0
# Standards say "about": a stated length may lie outside our range by this share of it.
FCI_TOLERANCE = 0.2
# Two registries' own agreement on length, 104 of 127 breeds: a noise level, not a target.
CLUBS_AGREEMENT, CLUBS_KAPPA = 0.819, 0.707
CLASSES = ("Short", "Medium", "Long")

# What a coat type of the US kennel club's ratings claims, in our words.
TYPE_CLAIMS: dict[str, tuple[str, Callable[[BreedFacts], bool]]] = {
    "Smooth": ("category fur", lambda b: b.category_grown is CoatCategory.FUR),
    "Double": ("any undercoat", lambda b: b.undercoat is not Undercoat.NONE),
    "Wiry": ("category wire", lambda b: b.category_grown is CoatCategory.WIRE),
    "Rough": ("category wire", lambda b: b.category_grown is CoatCategory.WIRE),
    "Curly": ("category curly", lambda b: b.category_grown is CoatCategory.CURLY),
    "Wavy": ("waves or curls", lambda b: b.curl in (Curl.WAVY, Curl.CURLY)),
    "Silky": ("texture silky", lambda b: b.texture is Texture.SILKY),
    "Corded": ("a coat that hangs or curls", lambda b: b.category_grown in (CoatCategory.DROP, CoatCategory.CURLY)),
    "Hairless": ("no trunk hair", lambda b: b.length_mm[1] == 0),
}


@dataclass(frozen=True)
class Comparison:
    """Pairs of (breed id, theirs, ours) and what they amount to."""

    pairs: tuple[tuple[str, str, str], ...]

    @property
    def agreement(self) -> float:
        """Share of breeds on which both say the same."""
        return sum(theirs == ours for _, theirs, ours in self.pairs) / len(self.pairs)

    @property
    def kappa(self) -> float:
        """Cohen's kappa, unweighted (Cohen 1960)."""
        from sklearn.metrics import cohen_kappa_score

        return float(cohen_kappa_score([pair[1] for pair in self.pairs], [pair[2] for pair in self.pairs]))

    @property
    def disagreements(self) -> tuple[tuple[str, str, str], ...]:
        """The pairs that differ."""
        return tuple(pair for pair in self.pairs if pair[1] != pair[2])

    def only(self, ids: Iterable[str]) -> Comparison:
        """The same comparison on some of the breeds."""
        wanted = set(ids)
        return Comparison(tuple(pair for pair in self.pairs if pair[0] in wanted))


def read_table(path: Path) -> list[dict[str, str]]:
    """Rows of a published table; breed names hold U+00A0, which the look-up takes as a space."""
    return read_csv(path, hint="Name the folder of reference tables with --tables.")


def length_class(facts: BreedFacts) -> str:
    """Short, medium or long as the clubs use the words, from the geometric middle of the trunk length as grown."""
    low, high = facts.length_mm
    middle = math.sqrt(max(low, 1.0) * max(high, 1.0))
    return CLASSES[(middle >= SHORT_BELOW_MM) + (middle >= LONG_FROM_MM)]


def compare_lengths(rows: list[dict[str, str]], name: str, column: str) -> Comparison:
    """A club's length classes against ours, one breed once (the first of its names)."""
    theirs: dict[str, str] = {}
    for row in rows:
        match = breeds.find(row[name])
        if match.id and row[column] in CLASSES:
            theirs.setdefault(match.id, row[column])
    return Comparison(tuple((id_, said, length_class(breeds.facts(id_))) for id_, said in theirs.items()))


def compare_types(rows: list[dict[str, str]]) -> Comparison:
    """The US club's coat types against the claims of TYPE_CLAIMS; ours is the type again where the claim holds."""
    pairs = []
    for row in rows:
        match = breeds.find(row["Breed"])
        if match.id and row["Coat Type"] in TYPE_CLAIMS:
            facts, said = breeds.facts(match.id), row["Coat Type"]
            pairs.append((match.id, said, said if TYPE_CLAIMS[said][1](facts) else _coat_in_words(facts)))
    return Comparison(tuple(pairs))


def compare_undercoats(rows: list[dict[str, str]]) -> Comparison:
    """Undercoat mentioned or denied by the FCI standard (found by pattern, so noisy) against ours."""
    pairs = []
    for row in rows:
        match = breeds.find(row["akc_breed"])
        if match.id and row["fci_undercoat"] in ("mentioned", "absent"):
            ours = "absent" if breeds.facts(match.id).undercoat is Undercoat.NONE else "mentioned"
            pairs.append((match.id, row["fci_undercoat"], ours))
    return Comparison(tuple(pairs))


def fci_length_problems(rows: list[dict[str, str]]) -> tuple[str, ...]:
    """Breeds whose trunk length contradicts the one in their standard.

    One length ("about 6 cm") must lie in our range; of a range, a minimum or a maximum each end that is stated must be
    ours within FCI_TOLERANCE.
    """
    problems = []
    for row in rows:
        facts = breeds.facts(row["breed_id"])
        ours = facts.trimmed_mm if row["scope"] == "trimmed" else facts.length_mm
        low, high = (float(row[end]) if row[end] else None for end in ("low_mm", "high_mm"))
        if ours is None:
            problems.append(f"{facts.id}: {row['source']} states a trim, the table none")
        elif low == high and low is not None:
            if not ours[0] <= low <= ours[1]:
                problems.append(f"{facts.id}: {row['source']} says {low:g} mm, the table {ours[0]:g}-{ours[1]:g} mm")
        elif not (_close(low, ours[0]) and _close(high, ours[1])):
            stated = f"{'' if low is None else low} to {'' if high is None else high}"
            problems.append(f"{facts.id}: {row['source']} says {stated} mm, the table {ours[0]:g}-{ours[1]:g} mm")
    return tuple(problems)


def _close(stated: float | None, ours: float) -> bool:
    return stated is None or abs(ours - stated) <= FCI_TOLERANCE * stated


def compare_photos(rows: list[dict[str, str]]) -> Comparison:
    """The best category by the breed alone (papers believed) against the label of each photo with a known breed."""
    pairs = []
    for row in rows:
        match = breeds.find(row["breed"].replace("_", " "))
        if match.known:
            chances = breeds.category_distribution(match, known_by="papers")
            pairs.append((row["breed"], row["category"], str(CATEGORIES[chances.index(max(chances))])))
    return Comparison(tuple(pairs))


def usually_trimmed(rows: list[dict[str, str]]) -> tuple[int, int]:
    """Photos in a trim and all photos, of drop-coated breeds that are usually trimmed (labels hair and drop only)."""
    labels: Counter[str] = Counter()
    for row in rows:
        match = breeds.find(row["breed"].replace("_", " "))
        if match.id is None:
            continue
        facts = breeds.facts(match.id)
        if facts.category_grown is CoatCategory.DROP and facts.trimmed is breeds.TrimHabit.USUALLY:
            labels[row["category"]] += 1
    return labels[CoatCategory.HAIR], labels[CoatCategory.HAIR] + labels[CoatCategory.DROP]


def _coat_in_words(facts: BreedFacts) -> str:
    return f"{facts.category_grown}, {facts.curl}, {facts.texture}, undercoat {facts.undercoat}"


def report(tables: Path, reference: Path, photos: Path | None) -> str:
    """The whole report as Markdown."""
    us_rows = read_table(tables / "kennel_club_us_breed_traits.csv")
    uk_rows = read_table(tables / "kennel_club_uk_breed_coats.csv")
    us = compare_lengths(us_rows, "Breed", "Coat Length")
    uk = compare_lengths(uk_rows, "breed", "Coat length")
    shared = {breeds.find(row["akc_breed"]).id or "" for row in _both_clubs(tables)}
    types = compare_types(us_rows)
    undercoats = compare_undercoats(read_table(tables / "kennel_club_us_fci_matched.csv"))
    lengths = read_table(reference)
    problems = fci_length_problems(lengths)
    parts = [
        "# The breed table beside published tables\n",
        "Written by `python -m training breeds`; don't edit by hand. The table's rows state their own sources.\n",
        f"Rows: {len(breeds.table())} ({_kinds()}).\n",
        "## Trunk length against the FCI standards\n",
        f"{len(lengths)} standards state a trunk length (FCI-Standard No. N, COAT; the numbers in "
        f"`tests/reference/{reference.name}`). The table holds the length, or each stated end within "
        f"{FCI_TOLERANCE:.0%}: {len(lengths) - len(problems)}.\n",
        *(f"- {problem}" for problem in problems),
        "\nOur lengths of these breeds were entered with the standards at hand, so this guards the table against slips "
        "rather than proving it right.\n",
        "## Length class against two kennel clubs\n",
        f"Short below {SHORT_BELOW_MM:g} mm, long from {LONG_FROM_MM:g} mm, by the geometric middle of the length as "
        "grown. The clubs define no limits; these are the ones at which their words part the FCI's lengths best.\n",
        "| compared | breeds | agreement | Cohen's kappa |\n|---|---|---|---|",
        f"| the two clubs with each other | 127 | {CLUBS_AGREEMENT:.1%} | {CLUBS_KAPPA:.3f} |",
        _row("ours with the US club (ratings 2022)", us),
        _row("ours with the UK club", uk),
        _row("ours with the US club, breeds that both list", us.only(shared)),
        _row("ours with the UK club, breeds that both list", uk.only(shared)),
        "",
        *_listed("Differences from the US club", us),
        *_listed("Differences from the UK club", uk),
        "## Coat type against the US kennel club\n",
        "The club gives one type a breed; read as these claims: "
        + "; ".join(f"*{name}* {claim}" for name, (claim, _) in TYPE_CLAIMS.items())
        + f". The claim holds for {types.agreement:.1%} of {len(types.pairs)} breeds.\n",
        *_listed("Where it doesn't", types),
        "## Undercoat against the FCI standards\n",
        f"Found in the standards by pattern, so noisy: agreement {undercoats.agreement:.1%} on "
        f"{len(undercoats.pairs)} breeds, kappa {undercoats.kappa:.3f}.\n",
        *_listed("Differences", undercoats),
    ]
    if photos is not None:
        parts += _photo_part(photos)
    return "\n".join(parts).rstrip() + "\n"


def _photo_part(photos: Path) -> list[str]:
    rows = [row for row in read_table(photos / "manifest.csv") if row["split"] == "train"]
    seen = compare_photos(rows)
    unread = sorted({row["breed"] for row in rows if not breeds.find(row["breed"].replace("_", " ")).known})
    by_breed: dict[str, list[bool]] = {}
    for breed, label, ours in seen.pairs:
        by_breed.setdefault(breed, []).append(label == ours)
    trimmed, drop = usually_trimmed(rows)
    each = sum(sum(hits) / len(hits) for hits in by_breed.values()) / len(by_breed)
    return [
        "## Breed names against the coats seen in the training photos\n",
        f"With the name believed as papers are, the breed's best category is the label of {seen.agreement:.1%} of "
        f"{len(seen.pairs)} training photos ({each:.1%} averaged over {len(by_breed)} breeds; kappa {seen.kappa:.3f}). "
        "The annotators saw the breed, and some rows were checked against these photos' labels, so this flatters. "
        f"Breeds not found in the table: {', '.join(unread) or 'none'}.\n",
        f"Of the drop-coated breeds that are usually trimmed, {trimmed} of {drop} photos ({trimmed / drop:.0%}) show a "
        "trim (labelled hair, not drop); the table's share for *usually* is 65 %.\n",
        *_listed("Most common differences (label, ours)", seen, most=25),
    ]


def _both_clubs(tables: Path) -> list[dict[str, str]]:
    return read_table(tables / "kennel_clubs_us_uk_matched.csv")


def _kinds() -> str:
    counts = Counter(row.kind for row in breeds.table().values())
    return ", ".join(f"{number} of kind {kind}" for kind, number in counts.most_common())


def _row(name: str, found: Comparison) -> str:
    return f"| {name} | {len(found.pairs)} | {found.agreement:.1%} | {found.kappa:.3f} |"


def _listed(title: str, found: Comparison, most: int | None = None) -> list[str]:
    counts = Counter(found.disagreements)
    lines = [f"### {title} ({sum(counts.values())})\n", "| breed | theirs | ours | times |\n|---|---|---|---|"]
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:most]
    return [*lines, *(f"| {breed} | {theirs} | {ours} | {times} |" for (breed, theirs, ours), times in ranked), ""]


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
    for row in read_table(tables / "kennel_club_us_breed_traits.csv"):
        coat, length, shedding = row["Coat Type"], row["Coat Length"], row["Shedding Level"]
        said = (f"coat type {coat}", f"length {length}", f"shedding {shedding}")
        yield "US", row["Breed"].replace("\u00a0", " "), said
    for row in read_table(tables / "kennel_club_uk_breed_coats.csv"):
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


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``python -m training breeds``."""
    tables = Path(os.environ.get("COATCLASS_TABLES", ROOT.parent / "shared" / "tables"))
    parser.add_argument("--tables", type=Path, default=tables, help="reference tables ($COATCLASS_TABLES)")
    add_photos_argument(parser)
    parser.add_argument("--out", type=Path, default=ROOT / "datasets" / "BREED_AGREEMENT.md", help="where to write")


def run(options: argparse.Namespace) -> int:
    """Write both comparisons and print where they went."""
    reference = Path(__file__).resolve().parent.parent / "tests" / "reference" / "fci_breed_trunk_lengths.csv"
    photos = options.photos if (options.photos / "manifest.csv").is_file() else None
    options.out.write_text(report(options.tables, reference, photos), encoding="utf-8")
    PAGE.write_text(states_text(compare_states(options.tables)), encoding="utf-8")
    print(f"wrote {options.out} and {PAGE}")
    return 0
