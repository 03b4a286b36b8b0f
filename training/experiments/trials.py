"""``python -m training trials``: what was tried with frozen ImageNet features and left out, measured again on a CPU."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.decomposition import PCA
from sklearn.metrics import roc_auc_score
from torch import Tensor
from torch.nn import functional
from tqdm import tqdm

from coatclass.breeds import BreedFacts, Furnishings, background, facts, find
from coatclass.contract import Verdict
from coatclass.estimating import Reading, decide, estimate, read_photo
from coatclass.resources import released
from coatclass.taxonomy import CATEGORIES, Curl, LengthBand, Texture, Undercoat, band_limits_mm
from training.experiments.probes import (
    COLUMNS,
    REGIMES,
    Array,
    Row,
    TrialSetup,
    blend,
    category_row,
    closeup,
    extract,
    held_out,
    pool,
    prepare,
    regression,
    relative_seconds,
    take,
    upper_third,
    whole,
    write,
)
from training.image.labels import Labels
from training.image.linear import binary_cross_entropy
from training.image.network import breed_coats
from training.image.pictures import open_gallery
from training.places import EVIDENCE, ROOT, add_photos_argument

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    add_photos_argument(parser)
    parser.add_argument("--out", type=Path, default=ROOT / "models", help="where trials.csv goes (default: models)")
    parser.add_argument(
        "--work",
        type=Path,
        default=ROOT / "runs" / "trials",
        help="where features are kept for the next run; delete it after a change of photos (default: runs/trials)",
    )


def run(options: argparse.Namespace) -> int:
    """Look at the photos, measure every trial, write the table; return the exit code."""
    labels = pool(options.photos)
    features = extract(options.photos, labels, options.work)
    setup = prepare(labels, features, relative_seconds(options.photos, labels))
    rows = [*all_trials(setup), *view_trials(setup, options.photos)]
    write(options.out / "trials.csv", COLUMNS, rows)
    return 0


Routes = dict[str, Array]  # log P(category) (N, 7) by route
_ALARMS = {"found_at_1": 0.01, "found_at_3": 0.03, "found_at_5": 0.05}
_DIRECTIONS = 256  # principal directions in which breed names are learned: hundreds of names, few photos each
_NAMES_L2 = 3e-4  # that of kinship, for seven coats, leaves hundreds of names all alike
SAY = 0.15  # of a trial's route beside the released ones, as when it was first tried
_MEDIUM, _ = band_limits_mm(LengthBand.FROM_25_TO_75MM)
_LONG, _ = band_limits_mm(LengthBand.OVER_75MM)
_WEARS = 0.5  # share of the breed's dogs from which on it counts as having the attribute

# What a breed's hair does to the dog's outline and surface, from the breed table. Whether it stands off or hangs is
# derived: the table has no such column.
OUTLINE: dict[str, Callable[[BreedFacts], float]] = {
    "stands off": lambda breed: float(breed.undercoat is Undercoat.DENSE and breed.length_mm[1] > _MEDIUM),
    "hangs": lambda breed: float(breed.undercoat is not Undercoat.DENSE and breed.length_mm[1] > _LONG),
    "furnished": lambda breed: {Furnishings.YES: 1.0, Furnishings.VARIES: 0.5}.get(breed.furnishings, 0.0),
    "undercoat": lambda breed: {Undercoat.DENSE: 1.0, Undercoat.LIGHT: 0.5}.get(breed.undercoat, 0.0),
    "curls": lambda breed: {Curl.CURLY: 1.0, Curl.WAVY: 0.5}.get(breed.curl, 0.0),
    "harsh": lambda breed: float(breed.texture is Texture.HARSH),
    "silky": lambda breed: float(breed.texture is Texture.SILKY),
    "cottony or woolly": lambda breed: float(breed.texture in (Texture.COTTONY, Texture.WOOLLY)),
}


def all_trials(setup: TrialSetup) -> Iterator[Row]:
    """Rows of every trial that needs nothing but features and labels."""
    plain = {regime: _routes(setup, ["plain"], by) for regime, by in REGIMES.items()}
    yield from _rows(setup, "plain", plain, None, seconds=1.0, note="whole photo at 256 px, Lite2")
    yield from _looks(setup, plain)
    yield from _names(setup, plain)
    yield from _hard_labels(setup, plain)
    yield from _sources(setup)
    yield from _outline(setup, plain)
    yield from _several_dogs(setup)


def _routes(setup: TrialSetup, looks: list[str], by: str) -> Routes:
    texture = setup.texture([setup.pooled(look) for look in looks], by)
    return _blended(texture, setup.kinship(looks, by))


def _blended(texture: Array, kinship: Array) -> Routes:
    return {"texture": texture, "kinship": kinship, "blend": blend(texture, kinship)}


def _rows(
    setup: TrialSetup,
    trial: str,
    said: dict[str, Routes],
    plain: dict[str, Routes] | None,
    *,
    seconds: float,
    note: str,
) -> Iterator[Row]:
    """A row for each regime and route; a route that is the plain one's is left out."""
    for regime, routes in said.items():
        for route, log_p in routes.items():
            other = plain[regime].get(route) if plain else None
            if other is not log_p:
                words: Row = {
                    "trial": trial,
                    "route": route,
                    "relative_seconds": seconds,
                    "against": "plain",
                    "note": note,
                }
                yield category_row(setup.labels, log_p, regime=regime, other=other, **words)


def _looks(setup: TrialSetup, plain: dict[str, Routes]) -> Iterator[Row]:
    seconds, show = setup.seconds, partial(_rows, setup, plain=plain)
    said = {regime: _routes(setup, ["plain", "mirrored"], by) for regime, by in REGIMES.items()}
    note = "learned on both looks, logs of both averaged"
    yield from show("mirrored second look", said, seconds=1 + seconds["mirrored"], note=note)
    for trial, look in (("256 and 352 px", "larger"), ("Lite0 and Lite2", "lite0")):
        other = {regime: _routes(setup, [look], by) for regime, by in REGIMES.items()}
        said = {
            regime: {route: blend(log_p, other[regime][route]) for route, log_p in routes.items()}
            for regime, routes in plain.items()
        }
        yield from show(trial, said, seconds=1 + seconds[look], note="a model for each look, logs averaged")
    last = np.concatenate([setup.pooled("plain"), setup.features["plain"]["last"]], 1)
    more = {"last stage's mean and spread added": (last, 1.0, "beside the pooled features")}
    note = "three of 224 px where the released mask says dog (mask not timed), their features' mean beside the photo's"
    more["patches added"] = setup.pooled("plain", "patches"), 1 + seconds["patches"], note
    for trial, (inputs, cost, note) in more.items():
        said = {
            regime: _blended(setup.texture([inputs], by), plain[regime]["kinship"]) for regime, by in REGIMES.items()
        }
        yield from show(trial, said, seconds=cost, note=note)
    alone = {regime: setup.texture([setup.pooled("patches")], by) for regime, by in REGIMES.items()}
    yield from _beside_release(setup, "patches beside the release", alone, 1 + seconds["patches"])


def _beside_release(setup: TrialSetup, trial: str, said: dict[str, Array], seconds: float) -> Iterator[Row]:
    """The released network's blend out of fold with a trial's route in it; nothing if it read other photos."""
    for regime, by in REGIMES.items():
        with np.load(released(f"models/{EVIDENCE[by]}")) as evidence:
            place = {photo: row for row, photo in enumerate(evidence["photo_id"].tolist())}
            if not set(setup.labels.photo_id.tolist()) <= place.keys():
                return
            rows = [place[photo] for photo in setup.labels.photo_id.tolist()]
            plain = blend(evidence["texture"][rows].astype(float), evidence["kinship"][rows].astype(float))
        log_p = blend((1 - SAY) * plain + SAY * said[regime])
        words: Row = {
            "trial": trial,
            "route": "blend",
            "relative_seconds": seconds,
            "against": "the release without it",
        }
        words["note"] = f"{SAY:.0%} of this route in the released blend; time relative to the plain look of this table"
        yield category_row(setup.labels, log_p, regime=regime, other=plain, **words)


def _names(setup: TrialSetup, plain: dict[str, Routes]) -> Iterator[Row]:
    """A head for the photos' breed names, mapped to coats by the breed table, as a further source of kinship."""
    pooled = setup.pooled("plain")
    inputs = PCA(min(_DIRECTIONS, len(pooled) - 1), random_state=0).fit_transform(pooled)
    names = np.eye(len(setup.labels.breeds), dtype=np.float32)[setup.labels.breed]
    coats, unknown = breed_coats(), list(background())
    table = np.array(
        [np.mean([coats[breed] for breed in ids] or [unknown], 0) for ids in map(_ids, setup.labels.breeds)]
    )
    said, named = {}, {}
    for regime, by in REGIMES.items():
        (scores,) = held_out(setup, [inputs], names, by, l2=_NAMES_L2)
        log_p = np.log(np.exp(blend(scores)) @ table)
        routes = plain[regime]
        named[regime] = log_p
        said[regime] = {"breed names": log_p, "blend": blend(routes["texture"], routes["kinship"], log_p)}
    note = f"{len(table)} names on {inputs.shape[1]} principal directions; in the blend a third"
    yield from _rows(setup, "breed-name head", said, plain, seconds=1.0, note=note)
    yield from _beside_release(setup, "breed-name head beside the release", named, 1.0)


def _ids(breed: str) -> tuple[str, ...]:
    return find(breed.replace("_", " ")).ids


def _hard_labels(setup: TrialSetup, plain: dict[str, Routes]) -> Iterator[Row]:
    labels = setup.labels
    hard = np.eye(labels.category.shape[1], dtype=np.float32)[labels.category_hard]
    split = np.flatnonzero((labels.category > 0).sum(1) > 1)
    for regime, by in REGIMES.items():
        soft = plain[regime]["texture"]
        log_p = setup.texture([setup.pooled("plain")], by, target=hard)
        words: Row = {"trial": "hard labels", "route": "texture", "relative_seconds": 1.0, "against": "soft labels"}
        yield category_row(labels, log_p, regime=regime, other=soft, note="the agreed label alone", **words)
        if len(split):
            words |= {"regime": f"{regime}, annotators differ", "note": "photos given two different coats"}
            yield category_row(labels, log_p, chosen=split, other=soft, **words)
            yield category_row(labels, soft, chosen=split, **words | {"trial": "plain"})


def _sources(setup: TrialSetup) -> Iterator[Row]:
    fold = setup.folds["source"]
    for k, source in enumerate(np.unique(setup.labels.source)):
        for route, log_p in _routes(setup, ["plain"], "source").items():
            words: Row = {"trial": "another source", "route": route, "relative_seconds": 1.0}
            note = "learned on the photos of the other source"
            regime = f"{source} held out"
            yield category_row(setup.labels, log_p, regime=regime, chosen=np.flatnonzero(fold == k), note=note, **words)


def _outline(setup: TrialSetup, plain: dict[str, Routes]) -> Iterator[Row]:
    """The outline's attributes as weak labels: does a regression on the routes gain by their log odds?"""
    known = [[facts(breed) for breed in _ids(name)] for name in setup.labels.breeds]
    table = np.array([[np.mean([of(breed) for breed in ids] or [0.0]) for of in OUTLINE.values()] for ids in known])
    say = setup.labels.weight * np.array([bool(ids) for ids in known])[setup.labels.breed]
    attributes, bands = {}, {}
    for regime, by in REGIMES.items():
        target, pooled = table.astype(np.float32)[setup.labels.breed], [setup.pooled("plain")]
        strength = setup.heads.texture_l2
        (attributes[regime],) = held_out(
            setup, pooled, target, by, l2=strength, say=say.astype(np.float32), loss=_each_attribute
        )
        yield from _heads(regime, target[say > 0], attributes[regime][say > 0])
        (bands[regime],) = map(blend, held_out(setup, pooled, setup.labels.band, by, l2=setup.heads.band_l2))
    routes = {regime: np.concatenate([said["texture"], said["kinship"]], 1) for regime, said in plain.items()}
    with_band = {regime: np.concatenate([said, bands[regime]], 1) for regime, said in routes.items()}
    for name, inputs in (("texture and kinship", routes), ("texture, kinship and band", with_band)):
        more = {regime: np.concatenate([said, attributes[regime]], 1) for regime, said in inputs.items()}
        without, with_outline = regression(setup, inputs), regression(setup, more)
        route = f"regression of {name}"
        note = f"log odds of: {', '.join(OUTLINE)}; weak labels from the breed table; stands off and hangs are derived"
        for regime, log_p in with_outline.items():
            words: Row = {"regime": regime, "route": route, "relative_seconds": 1.0, "against": "no outline"}
            less: Row = {"trial": "no outline", "note": "C and floor of the ensemble's members, without their gate"}
            yield category_row(setup.labels, without[regime], **words | less)
            more_words: Row = {"trial": "outline's attributes added", "note": note}
            yield category_row(setup.labels, log_p, other=without[regime], **words | more_words)


def _heads(regime: str, share: NDArray[np.float32], log_odds: Array) -> Iterator[Row]:
    """How well each attribute is told from the photo, (N, attributes) each; by the breed's looks, not the dog's."""
    for name, truth, said in zip(OUTLINE, share.T > _WEARS, log_odds.T, strict=True):
        row = {
            "trial": "outline's heads",
            "route": name,
            "regime": regime,
            "photos": len(said),
            "relative_seconds": 1.0,
        }
        if 0 < truth.sum() < len(truth):
            yield row | {"auc": float(roc_auc_score(truth, said)), "note": "against the breed table, not the dog"}


def _each_attribute(scores: Tensor, target: Tensor) -> Tensor:
    return functional.binary_cross_entropy_with_logits(scores, target, reduction="none").sum(1)


def _several_dogs(setup: TrialSetup) -> Iterator[Row]:
    """Several dogs, or part of one: how well a linear head tells them from one dog."""
    plain, several = setup.features["plain"], ~setup.labels.usable
    if several.all() or not several.any():
        return
    for route, parts in (("pooled features", ["pooled"]), ("released form", ["pooled", "fine"])):
        inputs = np.concatenate([plain[part] for part in parts], 1)
        (scores,) = held_out(
            setup,
            [inputs],
            setup.labels.single[:, None],
            "group",
            l2=setup.heads.single_l2,
            say=np.ones_like(setup.labels.weight),
            loss=binary_cross_entropy,
        )
        row = {"trial": "several dogs or part of one", "route": route, "regime": "unseen dogs", "photos": len(several)}
        note = f"{several.sum()} photos labelled so; found_at_N: share found at N % false alarms"
        yield row | {"relative_seconds": 1.0, "note": note} | _found(-scores[:, 0], several)


def _found(alarm: Array, wanted: NDArray[np.bool_]) -> dict[str, Any]:
    limits = {name: np.quantile(alarm[~wanted], 1 - share) for name, share in _ALARMS.items()}
    shares = {name: float((alarm[wanted] > limit).mean()) for name, limit in limits.items()}
    return {"auc": float(roc_auc_score(wanted, alarm)), **shares}


_VIEWS = {
    "whole photo": (whole,),
    "close-up": (closeup,),
    "upper third of the dog": (upper_third,),
    "whole photo and close-up": (whole, closeup),
}
_GAINS = np.round(np.arange(-0.5, 1.01, 0.05), 2)
_SIMULATED = "close-ups are simulated: squares cut out of the dog"


def view_trials(setup: TrialSetup, photos: Path) -> Iterator[Row]:
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


def _pooled(setup: TrialSetup) -> Iterator[Row]:
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
