"""Running the program over the cases, and measuring the pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from coatclass import photo
from coatclass.ensemble import Members
from coatclass.errors import PhotoError
from coatclass.estimating import Reading, decide, estimate, look
from coatclass.reports.evaluation._cases import Case, Cases

__all__ = ["cie_lightness", "look_at", "look_at_one", "with_decisions"]


def look_at(cases: Cases, advance: Callable[[], None] = lambda: None) -> Cases:
    """Open every photo, let the image model read it, and measure it; refused photos keep their report only."""
    looked = []
    for case in cases.rows:
        looked.append(look_at_one(case, case.path))
        advance()
    return Cases(tuple(looked))


def look_at_one(case: Case, source: Path | bytes) -> Case:
    """Open one picture and let the image model read it."""
    try:
        seen = look(source, name=case.file)
    except PhotoError as error:
        return replace(case, report=photo.refusal(error))
    traits = _traits(seen.photo.image, seen.mask) | {"short_side_px": float(min(seen.photo.original_size))}
    return replace(case, report=seen.report, evidence=seen.evidence, traits=traits)


def _traits(image: Image.Image, mask: NDArray[np.float32]) -> dict[str, float]:
    """Lightness of the coat (median CIE L* inside the mask, 0 to 100), of the picture (mean), and the share of dog."""
    lightness = cie_lightness(np.asarray(image.resize((mask.shape[1] * 8, mask.shape[0] * 8)).convert("RGB")))
    inside = np.kron(mask, np.ones((8, 8))) > 0.5
    return {
        "coat_lightness": float(np.median(lightness[inside])) if inside.any() else float("nan"),
        "picture_lightness": float(lightness.mean()),
        "dog_share": float(mask.mean()),
    }


def cie_lightness(pixels: NDArray[np.uint8]) -> NDArray[np.float64]:
    """CIE L* (0 to 100) of sRGB pixels (H, W, 3), 0 to 255.

    Sources: IEC 61966-2-1 for linear light and its luminance, CIE 15 for L* of it.
    """
    encoded = pixels.astype(np.float64) / 255
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    dark = (29 / 3) ** 3 * luminance
    lightness: NDArray[np.float64] = np.where(luminance > (6 / 29) ** 3, 116 * np.cbrt(luminance) - 16, dark)
    return lightness


def with_decisions(cases: Cases, *, use_answers: bool = False, members: Members | None = None) -> Cases:
    """Estimate and decide for every case: by its photo alone, or with its own answers too; by the released members."""
    decided = []
    for case in cases.rows:
        reports = [case.report] if case.report else []
        evidence = Reading.of(case.report, case.evidence).evidence if case.report else case.evidence
        known = estimate([evidence] if evidence else [], case.answers if use_answers else None, members=members)
        coat = known.coat if known.coat.regime != "none" else None
        decided.append(replace(case, estimate=coat, decision=decide(known, reports)))
    return Cases(tuple(decided))
