"""Errors that one can look at: the most confident ones, with the mask of what was looked at."""

from __future__ import annotations

import base64
from io import BytesIO
from typing import Any

import numpy as np
from PIL import Image

from coatclass import photo, vision
from coatclass.errors import PhotoError
from coatclass.reports.evaluation._cases import UNKNOWN, Case, Cases
from coatclass.taxonomy import CATEGORIES, category_label

__all__ = ["confident_errors", "thumbnails"]

_SIDE = 220


def confident_errors(cases: Cases, most: int) -> list[dict[str, Any]]:
    """The judged cases that are wrong, surest first: what was said, the label, and each annotator's."""
    judged = cases.judged
    p, truth = judged.p_category, judged.truth
    wrong = np.flatnonzero(p.argmax(axis=1) != truth)
    surest = wrong[np.argsort(-p[wrong].max(axis=1), kind="stable")][:most]
    return [_error(judged.rows[place], p[place]) for place in surest]


def _error(case: Case, p: Any) -> dict[str, Any]:
    best = int(p.argmax())
    return {
        "file": case.file,
        "said": category_label(CATEGORIES[best]),
        "sureness": float(p[best]),
        "label": category_label(CATEGORIES[case.category]),
        "probability_of_label": float(p[case.category]),
        "annotators": [category_label(CATEGORIES[label]) for label in case.categories_by if label != UNKNOWN],
        "annotators_confidence": case.confidence,
        "verdict": str(case.decision.verdict) if case.decision else None,
        "breed": case.breed,
    }


def thumbnails(cases: Cases, errors: list[dict[str, Any]]) -> dict[str, str]:
    """Small pictures as data URIs by file, what was not looked at greyed out; only for the report on one's own disk."""
    by_file = {case.file: case for case in cases.rows}
    return {error["file"]: uri for error in errors if (uri := _thumbnail(by_file[error["file"]])) is not None}


def _thumbnail(case: Case) -> str | None:
    try:
        image = photo.load(case.path, name=case.file).image
    except PhotoError:
        return None
    mask = vision.look(image, file=case.file).mask
    image.thumbnail((_SIDE, _SIDE))
    soft = Image.fromarray((mask * 255).clip(0, 255).astype(np.uint8)).resize(image.size, Image.Resampling.BILINEAR)
    pale = Image.blend(image.convert("L").convert("RGB"), Image.new("RGB", image.size, (255, 255, 255)), 0.45)
    buffer = BytesIO()
    Image.composite(image, pale, soft).save(buffer, "JPEG", quality=80)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
