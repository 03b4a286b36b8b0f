"""What happens to the answer as the picture gets worse: six corruptions at five strengths.

The convention of Hendrycks and Dietterich 2019 (arXiv:1903.12261): each corruption at severities 1 to 5 on the same
pictures. Strengths are ours, stated in the tables below, because those of that paper are made for 224-pixel crops.
"""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

import numpy as np
from PIL import Image, ImageFilter

from coatclass import photo
from coatclass.errors import PhotoError
from coatclass.reports.evaluation import metrics
from coatclass.reports.evaluation.cases import LabelledPhoto, LabelledPhotos, look_at_one, with_decisions
from coatclass.reports.evaluation.figures import counted
from coatclass.reports.evaluation.metrics import bootstrap

__all__ = ["CORRUPTIONS", "corrupt", "robustness", "subset"]

_RESAMPLES = 500  # of groups, behind each interval
_SIDE = 256  # strengths are for pictures of this short side; larger ones are reduced to it first

# One row for each corruption: what its strength means, and the five values.
CORRUPTIONS: dict[str, tuple[str, tuple[float, ...]]] = {
    "blur": ("radius of a Gaussian blur, px", (0.7, 1.2, 2.0, 3.0, 4.5)),
    "low light": ("brightness that is left, with the noise that comes with it", (0.8, 0.65, 0.5, 0.35, 0.2)),
    "jpeg": ("JPEG quality", (40, 25, 15, 10, 6)),
    "noise": ("standard deviation of added noise, of 255", (8, 16, 26, 38, 55)),
    "small dog": ("side of the picture within a grey frame, share", (0.8, 0.65, 0.5, 0.38, 0.28)),
    "rotation": ("degrees", (8, 16, 30, 50, 90)),
}
_GREY = (128, 128, 128)


def corrupt(image: Image.Image, kind: str, strength: float, rng: np.random.Generator) -> Image.Image:
    """One picture made worse, at the same size."""
    if kind == "blur":
        return image.filter(ImageFilter.GaussianBlur(strength))
    if kind == "jpeg":
        buffer = BytesIO()
        image.save(buffer, "JPEG", quality=int(strength))
        return Image.open(buffer).convert("RGB")
    if kind == "rotation":
        return image.rotate(strength, resample=Image.Resampling.BILINEAR, fillcolor=_GREY)
    if kind == "small dog":
        frame = Image.new("RGB", image.size, _GREY)
        small = image.resize((max(8, round(image.width * strength)), max(8, round(image.height * strength))))
        frame.paste(small, ((image.width - small.width) // 2, (image.height - small.height) // 2))
        return frame
    pixels = np.asarray(image, dtype=np.float64)
    if kind == "noise":
        pixels = pixels + rng.normal(0, strength, pixels.shape)
    elif kind == "low light":
        full = 255 * strength * (pixels / 255) ** 1.3
        pixels = full + rng.normal(0, 1, pixels.shape) * np.sqrt(full.clip(0)) * 0.8
    else:
        raise ValueError(f"there is no corruption called {kind}")
    return Image.fromarray(pixels.clip(0, 255).astype(np.uint8))


def subset(cases: LabelledPhotos, size: int, seed: int = 0) -> LabelledPhotos:
    """A stated part of the judged cases: each category keeps its share, as far as that comes out whole."""
    judged = cases.judged
    if len(judged) <= size:
        return judged
    rng = np.random.default_rng(seed)
    places: list[int] = []
    for label in np.unique(judged.truth):
        of = rng.permutation(np.flatnonzero(judged.truth == label))
        places += of[: max(1, round(size * len(of) / len(judged)))].tolist()
    return LabelledPhotos(tuple(judged.rows[place] for place in sorted(places)))


def robustness(cases: LabelledPhotos, *, seed: int = 0, advance: Callable[[], None] = lambda: None) -> dict[str, Any]:
    """Accuracy, sureness, share settled and wrong among those, by corruption and severity (0: untouched).

    Each picture goes the whole way of a file, so that refusals and doubts about its quality count too.
    """
    opened = [(case, image) for case in cases.rows if (image := _open(case)) is not None]
    clean = _row(0, [_seen(case, image) for case, image in opened])
    curves = {}
    for kind, (unit, strengths) in CORRUPTIONS.items():
        rows = [clean]
        for severity, strength in enumerate(strengths, start=1):
            rng = np.random.default_rng([seed, severity])
            rows.append(_row(severity, [_seen(case, corrupt(image, kind, strength, rng)) for case, image in opened]))
            rows[-1]["strength"] = strength
            advance()
        curves[kind] = {"unit": unit, "rows": rows}
    return {"n": len(opened), "short_side_px": _SIDE, "curves": curves}


def _open(case: LabelledPhoto) -> Image.Image | None:
    try:
        image = photo.load(case.path, name=case.file).image
    except PhotoError:
        return None
    scale = _SIDE / min(image.size)
    return image if scale >= 1 else image.resize((round(image.width * scale), round(image.height * scale)))


def _seen(case: LabelledPhoto, image: Image.Image) -> LabelledPhoto:
    """A photo file all the way through: opened, measured, read, and refused or doubted if need be."""
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=95)
    return look_at_one(case, buffer.getvalue())


def _row(severity: int, seen: list[LabelledPhoto]) -> dict[str, Any]:
    everyone = with_decisions(LabelledPhotos(tuple(seen)))
    told = everyone.judged
    if not len(told):
        return {"severity": severity, "refused": 1.0, "doubtful": 0.0}
    truth, p = told.truth, told.p_category
    right = p.argmax(axis=1) == truth
    settled = np.array([str(case.decision.verdict) == "settled" if case.decision else False for case in told.rows])
    errors = int((~right[settled]).sum())
    accuracy = bootstrap({"accuracy": lambda r: float(right[r].mean())}, told.groups, resamples=_RESAMPLES)["accuracy"]
    return {
        "severity": severity,
        "refused": 1 - len(told) / len(everyone),
        "doubtful": float(np.mean([bool(case.report and case.report.status == "doubtful") for case in everyone.rows])),
        "answered": len(told),
        "accuracy": accuracy.value,
        "accuracy_interval": (accuracy.low, accuracy.high),
        "log_loss": metrics.log_loss(truth, p),
        "sureness": float(p.max(axis=1).mean()),
        "settled": float(settled.mean()),
        "wrong_among_settled": errors / int(settled.sum()) if settled.any() else 0.0,
        "settled_photos": int(settled.sum()),
        "settled_wrong": errors,
        "settled_wrong_interval": counted(errors, int(settled.sum()))["interval"],
    }
