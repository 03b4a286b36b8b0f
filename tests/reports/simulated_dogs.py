"""Simulated dogs with noisy, honest evidence: what the tests of the evaluation report share."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from coatclass.contract import PhotoEvidence, PhotoReport, PhotoStatus
from coatclass.ensemble.fusion import log_softmax
from coatclass.reports.evaluation import LabelledPhoto, LabelledPhotos, with_decisions


@cache
def dogs(n: int = 120, seed: int = 0) -> LabelledPhotos:
    """Simulated cases with noisy, honest evidence, two annotators and a few cats."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        category, band = int(rng.integers(7)), int(rng.integers(4))

        def seen(truth: int, classes: int) -> tuple[float, ...]:
            logits = 3 * np.eye(classes)[[truth]] + rng.normal(size=(1, classes))
            return tuple(log_softmax(logits)[0].tolist())

        other = category if rng.random() < 0.9 else int(rng.integers(7))
        evidence = PhotoEvidence(f"{i}.jpg", seen(category, 7), seen(category, 7), seen(band, 4), 0.99, 0.4, 0.1, "t")
        rows.append(
            LabelledPhoto(
                file=f"{i}.jpg",
                path=Path(f"{i}.jpg"),
                group=f"g{i // 2}",
                category=category,
                band=band,
                categories_by=(category, other),
                bands_by=(band, band),
                confidence=float(rng.integers(1, 4)),
                evidence=evidence,
                report=PhotoReport(file=f"{i}.jpg", status=PhotoStatus.USED),
                traits={"coat_lightness": 20 + 60 * rng.random(), "short_side_px": 300.0, "picture_lightness": 50.0},
            )
        )
    cats = [replace(rows[i], file=f"cat{i}.jpg", category=-1, band=-1, is_dog=False) for i in range(5)]
    cats = [replace(c, evidence=replace(c.evidence, dog_probability=0.01)) for c in cats if c.evidence]
    return with_decisions(LabelledPhotos((*rows, *cats)))
