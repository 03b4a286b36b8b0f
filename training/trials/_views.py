"""Several views of one dog: close-ups cut out of photos by their trimaps. Simulated: nobody parted these coats."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from coatclass import decision, ensemble
from coatclass.assessing import Reading, read_photo
from coatclass.contract import Verdict
from coatclass.taxonomy import CATEGORIES
from training.image._labels import Labels
from training.image._pictures import open_gallery
from training.trials._bench import REGIMES, Array, Bench, blend, held_out
from training.trials._looks import closeup, take, upper_third, whole
from training.trials._rows import Row, category_row

_VIEWS = {
    "whole photo": (whole,),
    "close-up": (closeup,),
    "upper third of the dog": (upper_third,),
    "whole photo and close-up": (whole, closeup),
}
_GAINS = np.round(np.arange(-0.5, 1.01, 0.05), 2)
_SIMULATED = "close-ups are simulated: squares cut out of the dog"


def view_trials(bench: Bench, photos: Path) -> Iterator[Row]:
    """Rows of the released network on parts of photos, and of close-ups pooled with whole photos."""
    yield from _released(bench.labels, photos)
    yield from _pooled(bench)


def _released(labels: Labels, photos: Path) -> Iterator[Row]:
    """The released model on val photos with a trimap that yield every view; the network has seen the photos."""
    val = take(labels, labels.where("val"))
    gallery = open_gallery(photos, val)
    cuts = {cut for cuts in _VIEWS.values() for cut in cuts}
    readings: dict[int, dict[Callable[..., Any], Reading]] = {}
    for index in tqdm(range(len(val)), desc="released model", unit="photo"):
        pictures = {cut: cut(gallery.pictures[index], gallery.masks[index]) for cut in cuts}
        if all(pictures.values()):
            readings[index] = {cut: _reading(seen[0]) for cut, seen in pictures.items()}
    truth = val.category_hard[list(readings)]
    for view, parts in _VIEWS.items():
        row = {"trial": "views by the released model", "route": view, "regime": "val, seen in training"}
        said = [[reading[part] for part in parts] for reading in readings.values()]
        note = f"accuracy over what is not refused; {_SIMULATED}"
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
        estimate = ensemble.combine(evidence) if evidence else None
        decided = decision.decide(estimate, [reading.report for reading in readings])
        refused.append(estimate is None)
        no_dog.append(any(reason.code == "no_dog" for reading in readings for reason in reading.report.reasons))
        if estimate is not None:
            right.append(max(range(len(CATEGORIES)), key=estimate.category.__getitem__) == answer)
            settled.append(decided.verdict is Verdict.SETTLED)
    sure = [ok for ok, verdict in zip(right, settled, strict=True) if verdict]
    shares = {"refused": refused, "no_dog": no_dog, "accuracy": right, "settled_right": sure}
    found: Row = {name: float(np.mean(values)) for name, values in shares.items() if values}
    return found | {"settled": sum(settled) / len(said)} if said else {}


def _pooled(bench: Bench) -> Iterator[Row]:
    """Texture out of fold: whole photo, close-up, and both as the mean of their logs; and the gain that fits best."""
    views = [bench.pooled("plain"), bench.pooled("closeup")]
    chosen = np.flatnonzero(np.isfinite(views[1][:, 0]))
    both = 1 + bench.seconds["closeup"]
    for regime, by in REGIMES.items():
        usual, plain = bench.heads.texture_l2, None
        for learned, learn in (("whole photos", [0]), ("whole photos and close-ups", [0, 1])):
            said = held_out(bench, views, bench.labels.category, by, l2=usual, learn=learn)
            whole_photo, near = (blend(scores) for scores in said)
            pooled = blend(whole_photo, near)
            gain = _best_gain(pooled[chosen], bench.labels.category_hard[chosen])
            note = f"mean of logs times 1 + {gain:g}, the best gain of a second look, chosen on these photos"
            ways = [
                ("whole photo", whole_photo, 1.0, ""),
                ("close-up", near, bench.seconds["closeup"], ""),
                ("both, mean of logs", pooled, both, "gain 0, as released"),
                ("both, best gain", blend((1 + gain) * pooled), both, note),
            ]
            for route, log_p, seconds, note in ways:
                words = {"trial": f"texture learned on {learned}", "route": route, "relative_seconds": seconds}
                words["note"] = "; ".join(filter(None, [note, _SIMULATED if log_p is not whole_photo else ""]))
                yield category_row(bench.labels, log_p, regime=regime, chosen=chosen, against=plain, **words)
                plain = whole_photo if plain is None else plain


def _best_gain(pooled: Array, truth: Any) -> float:
    def loss(gain: float) -> float:
        return float(-blend((1 + gain) * pooled)[np.arange(len(truth)), truth].mean())

    return float(min(_GAINS, key=loss))
