"""What is written about the data set: who made the photos, how far two people agreed, and the counts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from coatclass.taxonomy import BANDS, CATEGORIES

Rows = Sequence[Mapping[str, str]]

TIERS = {
    "O": "The Oxford-IIIT Pet data set",
    "A": "Licence, author and source page recorded",
    "B": "Exact file on Wikimedia Commons; its page states licence and author",
    "U": "Under the licence of the site that the page names",
    "C": "From the breed's Wikipedia article; a free licence, file and author not recorded",
}
_OXFORD = (
    'O. M. Parkhi, A. Vedaldi, A. Zisserman, C. V. Jawahar, "Cats and Dogs", IEEE Conference on Computer Vision and '
    "Pattern Recognition (CVPR), 2012; CC BY-SA 4.0; the photographs' copyright stays with their owners. "
)


@dataclass(frozen=True)
class Agreement:
    """How far two annotators agreed: number of photos, share that agrees, Cohen's kappa (quadratic for bands)."""

    photos: int
    exact: float
    kappa: float


def attribution(rows: Rows) -> str:
    """Who made the photos and under which licence, as Markdown; every photo of ``rows`` is covered."""
    tiers: defaultdict[str, list[Mapping[str, str]]] = defaultdict(list)
    for row in rows:
        tiers[row["licence_tier"]].append(row)
    parts = [
        "# Attribution\n",
        "Written by `python -m training labels`; don't edit by hand. The photos are not part of this project: these "
        "are the sources that `datasets/labels.csv` names and `python -m training photos` fetches.\n",
    ]
    for tier, title in TIERS.items():
        if not tiers[tier]:
            continue
        parts.append(f"## {title} ({len(tiers[tier])} photos)\n")
        if tier == "O":
            breeds = Counter(row["breed"].replace("_", " ") for row in tiers[tier])
            counted = ", ".join(f"{breed} {number}" for breed, number in sorted(breeds.items()))
            parts.append(f"{_OXFORD}Source: {tiers[tier][0]['source_url']}. Photos used: {counted}.\n")
            continue
        parts.extend([*_credits(tiers[tier]), ""])
    return "\n".join(parts).rstrip() + "\n"


def _credits(rows: Iterable[Mapping[str, str]]) -> Iterator[str]:
    """One line for the photos of one page, licence and author."""
    photos: defaultdict[tuple[str, str, str], list[str]] = defaultdict(list)
    for row in rows:
        photos[row["source_url"], row["licence"], row["author"] or "author not recorded"].append(row["photo_id"])
    for (page, licence, author), names in sorted(photos.items()):
        yield f"- {page}: {author}; {licence}; {', '.join(names)}"


def category_agreement(rows: Iterable[Mapping[str, str]]) -> Agreement:
    """Of the coat category, on photos that two people labelled."""
    both = [(row["category_1"], row["category_2"]) for row in rows if row["category_2"]]
    return _agreement(both, [str(category) for category in CATEGORIES])


def band_agreement(rows: Iterable[Mapping[str, str]]) -> Agreement:
    """Of the length band, where both annotators called the photo usable and the trunk's length visible."""
    both = [
        (row["band_1"], row["band_2"])
        for row in rows
        if row["usable_1"] == row["usable_2"] == "y" and "not_visible" not in (row["band_1"], row["band_2"])
    ]
    return _agreement(both, [str(band) for band in BANDS], weights="quadratic")


def _agreement(pairs: Sequence[tuple[str, str]], labels: Sequence[str], weights: str | None = None) -> Agreement:
    from sklearn.metrics import cohen_kappa_score

    one, other = zip(*pairs, strict=True)
    exact = sum(a == b for a, b in pairs) / len(pairs)
    return Agreement(len(pairs), exact, float(cohen_kappa_score(one, other, labels=list(labels), weights=weights)))


def composition(rows: Rows) -> str:
    """Counts by category and split, by band, set and licence, as Markdown tables."""
    splits = ("train", "val", "test")
    by = Counter((row["category"], row["split"]) for row in rows)
    lines = ["| coat category | train | val | test | all |", "|---|---|---|---|---|"]
    for category in CATEGORIES:
        counts = [by[category, split] for split in splits]
        lines.append(f"| {category} | {' | '.join(map(str, counts))} | {sum(counts)} |")
    totals = [sum(row["split"] == split for row in rows) for split in splits]
    lines.append(f"| all | {' | '.join(map(str, totals))} | {len(rows)} |")
    lines += ["", "| length band | photos |", "|---|---|"]
    bands = Counter(row["band"] for row in rows)
    lines += [f"| {band} | {bands[band]} |" for band in (*map(str, BANDS), "not_visible")]
    lines += ["", "| licence tier | photos |", "|---|---|"]
    tiers = Counter(row["licence_tier"] for row in rows)
    lines += [f"| {tier}: {title} | {tiers[tier]} |" for tier, title in TIERS.items()]
    usable = Counter(row["usable"] for row in rows)
    names, groups = ({row[column] for row in rows} for column in ("breed", "group"))
    lines += [
        "",
        f"{len(names)} breed names, {len(groups)} groups (photos of one dog and near-duplicates); {usable['y']} photos "
        f"show one dog whose coat can be judged, {usable['m']} several dogs or only part of the coat.",
    ]
    return "\n".join(lines)


def agreement_table(rows: Rows) -> str:
    """Both agreements with how the labels came about, as Markdown."""
    category, band = category_agreement(rows), band_agreement(rows)
    status = Counter(row["category_status"] for row in rows)
    band_status = Counter(row["band_status"] for row in rows)
    return "\n".join(
        [
            "| label | photos that two people labelled | exact | kappa |",
            "|---|---|---|---|",
            f"| category | {category.photos} | {category.exact:.1%} | {category.kappa:.3f} (Cohen) |",
            f"| band, usable to both | {band.photos} | {band.exact:.1%} | {band.kappa:.3f} (quadratic weights) |",
            "",
            f"Category: {_counted(status)}. Band: {_counted(band_status)}.",
        ]
    )


def disagreement_table(rows: Rows) -> str:
    """Which categories two people took for one another, and how often they agreed by the less sure one's confidence."""
    both = [row for row in rows if row["category_2"]]
    pairs = Counter(tuple(sorted((row["category_1"], row["category_2"]))) for row in both)
    apart = [(pair, number) for pair, number in pairs.most_common() if pair[0] != pair[1]]
    lines = ["| one said, the other said | photos |", "|---|---|"]
    lines += [f"| {one}, {other} | {number} |" for (one, other), number in apart]
    lines += ["", "| confidence of the less sure annotator | photos | category agreed |", "|---|---|---|"]
    for confidence in ("3", "2", "1"):
        sure = [row for row in both if min(row["confidence_1"], row["confidence_2"]) == confidence]
        agreed = sum(row["category_1"] == row["category_2"] for row in sure)
        lines.append(f"| {confidence} | {len(sure)} | {agreed / len(sure):.1%} |")
    return "\n".join(lines)


def _counted(counts: Counter[str]) -> str:
    return ", ".join(f"{number} {name}" for name, number in counts.most_common())


def with_numbers(text: str, blocks: Mapping[str, str]) -> str:
    """Replace what stands between ``<!-- NAME -->`` and ``<!-- /NAME -->``.

    Raises:
        ValueError: if a block has no place in the text.
    """
    for name, content in blocks.items():
        start, end = f"<!-- {name} -->", f"<!-- /{name} -->"
        before, opened, rest = text.partition(start)
        _, closed, after = rest.partition(end)
        if not (opened and closed):
            raise ValueError(f"the text has no place for {name}")
        text = f"{before}{start}\n{content}\n{end}{after}"
    return text
