"""Several views of one dog: close-ups cut out of photos by their trimaps. Simulated: nobody parted these coats."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from coatclass.contract import Verdict
from coatclass.estimating import Reading, decide, estimate, read_photo
from coatclass.taxonomy import CATEGORIES
from training.experiments.feature_trials import SAY
from training.experiments.linear_probes import REGIMES, Array, Row, Setup, blend, category_row, held_out
from training.experiments.looks import closeup, take, upper_third, whole
from training.image.labels import Labels
from training.image.pictures import open_gallery

_VIEWS = {
    "whole photo": (whole,),
    "close-up": (closeup,),
    "upper third of the dog": (upper_third,),
    "whole photo and close-up": (whole, closeup),
}
_GAINS = np.round(np.arange(-0.5, 1.01, 0.05), 2)
_SIMULATED = "close-ups are simulated: squares cut out of the dog"


def view_trials(setup: Setup, photos: Path) -> Iterator[Row]:
    """Rows of the released network on parts of photos, and of close-ups pooled with whole photos."""
    yield from _released(setup.labels, photos)
    yield from _pooled(setup)


def _released(labels: Labels, photos: Path) -> Iterator[Row]:
    """The released model on val photos with a trimap that yield every view; the network has seen the photos."""
    val = take(labels, labels.where("val"))
    gallery = open_gallery(photos, val)
    cuts = {cut for cuts in _VIEWS.values() for cut in cuts}
    trimaps = sum(mask is not None for mask in gallery.masks)
    readings: dict[int, dict[Callable[..., Any], Reading]] = {}
    for index in tqdm(range(len(val)), desc="released model", unit="photo"):
        pictures = {cut: cut(gallery.pictures[index], gallery.masks[index]) for cut in cuts}
        if all(pictures.values()):
            readings[index] = {cut: _reading(seen[0]) for cut, seen in pictures.items()}
    truth = val.category_hard[list(readings)]
    for view, parts in _VIEWS.items():
        row = {"trial": "views by the released model", "route": view, "regime": "val, seen in training"}
        said = [[reading[part] for part in parts] for reading in readings.values()]
        note = f"accuracy over what is not refused; {len(readings)} of {trimaps} trimaps hold large enough parts"
        note = f"{note}; {_SIMULATED}"
        yield row | {"photos": len(readings), "note": note} | _verdicts(said, truth)


def _reading(picture: Any) -> Reading:
    stored = BytesIO()
    picture.save(stored, "PNG")
    return read_photo(stored.getvalue(), name="view.png")


def _verdicts(said: list[list[Reading]], truth: Any) -> Row:
    """Shares of what becomes of each dog by its readings; accuracy of all estimates and of the settled ones."""
    refused, no_dog, right, settled = [], [], [], []
    for readings, answer in zip(said, truth, strict=True):
        evidence = [reading.evidence for reading in readings if reading.evidence is not None]
        known = estimate(evidence) if evidence else None
        decided = decide(known, [reading.report for reading in readings])
        refused.append(known is None)
        no_dog.append(any(reason.code == "no_dog" for reading in readings for reason in reading.report.reasons))
        if known is not None:
            right.append(max(range(len(CATEGORIES)), key=known.coat.category.__getitem__) == answer)
            settled.append(decided.verdict is Verdict.SETTLED)
    sure = [ok for ok, verdict in zip(right, settled, strict=True) if verdict]
    shares = {"refused": refused, "no_dog": no_dog, "accuracy": right, "settled_right": sure}
    found: Row = {name: float(np.mean(values)) for name, values in shares.items() if values}
    return found | {"settled": sum(settled) / len(said)} if said else {}


def _pooled(setup: Setup) -> Iterator[Row]:
    """Texture out of fold: whole photo, close-up, and both as the mean of their logs; with the gain that fits best."""
    views = [setup.pooled("plain"), setup.pooled("closeup")]
    chosen = np.flatnonzero(np.isfinite(views[1][:, 0]))
    for regime, by in REGIMES.items():
        category, l2 = setup.labels.category, setup.heads.texture_l2
        by_whole, by_near = (held_out(setup, views, category, by, l2=l2, learn=[place]) for place in (0, 1))
        alone = blend(by_whole[0])
        sharp, gain = _with_best_gain(alone, setup.labels.category_hard, chosen)
        ways = [
            ("whole photo", alone, None, "", ""),
            (f"whole photo, gain {gain:g}", sharp, alone, "whole photo", "for scale: a gain helps the photo alone"),
        ]
        for learned, near in (("whole photos", blend(by_whole[1])), ("close-ups", blend(by_near[1]))):
            pooled, small = blend(alone, near), blend((1 - SAY) * alone + SAY * near)
            gained, gain = _with_best_gain(pooled, setup.labels.category_hard, chosen)
            name, note = f"close-up as {learned} taught", f"head learned on {learned} alone; {_SIMULATED}"
            ways += [
                (name, near, alone, "whole photo", note),
                (f"whole photo and {name}, mean of logs", pooled, alone, "whole photo", note),
                (f"whole photo and {name}, gain {gain:g}", gained, sharp, "whole photo at its best gain", note),
                (f"whole photo and {SAY:.0%} {name}", small, alone, "whole photo", note),
            ]
        for route, log_p, other, against, note in ways:
            words: Row = {"trial": "close-ups out of fold", "route": route, "against": against, "note": note}
            words["relative_seconds"] = 1.0 + (" and " in route)
            yield category_row(setup.labels, log_p, regime=regime, chosen=chosen, other=other, **words)


def _with_best_gain(pooled: Array, truth: Any, chosen: Any) -> tuple[Array, float]:
    """The logs times 1 + gain, as a second look counts in the ensemble, and the gain of least loss on these photos."""

    def loss(gain: float) -> float:
        return float(-blend((1 + gain) * pooled)[chosen, truth[chosen]].mean())

    best = float(min(_GAINS, key=loss))
    return blend((1 + best) * pooled), best
