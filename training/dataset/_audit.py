"""Labels worth a second look: where the image model, which never saw the dog, or the other annotator says otherwise.

Only train and val. What the model says of them is out of fold; the test split was read by the released network alone,
and labels of the test split that were looked at again on the word of the model under test would flatter it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coatclass.taxonomy import BANDS, CATEGORIES

AUDIT_COLUMNS = (
    "photo_id",
    "split",
    "breed",
    "category",
    "category_status",
    "category_1",
    "category_2",
    "p_category",
    "model_category",
    "band",
    "p_band",
    "model_band",
    "why",
    "model_version",
)
OTHER_CATEGORY = "the model prefers another category"
ANNOTATORS_DIFFER = "the annotators chose different categories"
OTHER_BAND = "the model prefers a band two or more away"
REASONS = (OTHER_CATEGORY, ANNOTATORS_DIFFER, OTHER_BAND)
_NAMES, _BANDS = [str(category) for category in CATEGORIES], [str(band) for band in BANDS]


def label_audit(rows: Sequence[Mapping[str, str]], evidence: Path, model_version: str) -> list[dict[str, str]]:
    """Rows of ``label_audit.csv``: the photos with a reason to look again, the least believed label first.

    ``p_category`` is P(agreed label) by the plain mean of the texture and kinship routes' log probabilities,
    ``p_band`` that of the band route, empty where the length is not visible; both in [0, 1]. A band next to the agreed
    one is no reason: people differ by one, too. Photos of which the evidence knows nothing are left out.

    Args:
        rows: rows of the labels.
        evidence: the released table of what the model says out of fold.
        model_version: which model that was.
    """
    with np.load(evidence) as found:
        held_out = {str(name): place for place, name in enumerate(found["photo_id"]) if found["fold"][place] >= 0}
        category, band = _probabilities((found["texture"] + found["kinship"]) / 2), _probabilities(found["band"])
    known = [(row, held_out[row["photo_id"]]) for row in rows if row["photo_id"] in held_out and row["split"] != "test"]
    audit = [_audited(row, category[place], band[place]) | {"model_version": model_version} for row, place in known]
    return sorted((row for row in audit if row["why"]), key=lambda row: (row["p_category"], row["photo_id"]))


def audit_table(audit: Sequence[Mapping[str, str]]) -> str:
    """How many photos have which reason, as Markdown."""
    counts = Counter(why for row in audit for why in row["why"].split("; "))
    version = ", ".join(sorted({row["model_version"] for row in audit}))
    lines = [f"| why, by {version} | photos of train and val |", "|---|---|"]
    return "\n".join([*lines, *(f"| {why} | {counts[why]} |" for why in REASONS), f"| any | {len(audit)} |"])


def _audited(row: Mapping[str, str], category: NDArray[np.float64], band: NDArray[np.float64]) -> dict[str, str]:
    model_category, model_band = int(category.argmax()), int(band.argmax())
    seen = _BANDS.index(row["band"]) if row["band"] in _BANDS else None
    holds = {
        OTHER_CATEGORY: _NAMES[model_category] != row["category"],
        ANNOTATORS_DIFFER: row["category_2"] not in ("", row["category_1"]),
        OTHER_BAND: seen is not None and abs(model_band - seen) >= 2,
    }
    return {
        **{name: row[name] for name in AUDIT_COLUMNS if name in row},
        "p_category": f"{category[_NAMES.index(row['category'])]:.4f}",
        "model_category": _NAMES[model_category],
        "p_band": "" if seen is None else f"{band[seen]:.4f}",
        "model_band": _BANDS[model_band],
        "why": "; ".join(why for why in REASONS if holds[why]),
    }


def _probabilities(log_p: NDArray[np.float32]) -> NDArray[np.float64]:
    scores = log_p.astype(np.float64)
    return np.exp(scores - np.logaddexp.reduce(scores, axis=1, keepdims=True))
