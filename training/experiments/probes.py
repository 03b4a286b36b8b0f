"""What the trials share: looks at photos, and linear models on what is seen that read each photo out of fold."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from timeit import repeat
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.ndimage import distance_transform_cdt
from sklearn.linear_model import LogisticRegression
from torch import Tensor, nn
from tqdm import tqdm

from coatclass import photo, vision
from coatclass.ensemble.fusion import log_softmax
from coatclass.taxonomy import CATEGORIES
from coatclass.vision import Preprocessing, read_manifest, to_tensor
from training.image.config import Heads, read_config
from training.image.labels import Labels, make_plan, read_labels
from training.image.linear import fit_linear, soft_cross_entropy
from training.image.network import MEAN, STD, CoatNetwork, load_backbone, session_of
from training.image.pictures import Pixels, open_gallery
from training.image.release import category_figures

Features = dict[str, NDArray[np.float32]]  # FEATURES of N photos, (N, ...) each; rows of NaN where there was no look
FEATURES = ("pooled", "last", "fine", "kinship")
_SHORT_SIDE, _PATCH, _PATCHES = 448, 224, 3  # px
_SMALLEST = 64  # px: the program refuses smaller pictures
_TIMED = 12  # photos


def whole(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The photo as it is."""
    return [Image.fromarray(pixels)]


def mirrored(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The photo's mirror image."""
    return [ImageOps.mirror(Image.fromarray(pixels))]


def patches(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """Up to three squares of 224 px that hold most dog, by the released network's mask, apart by a third of a side."""
    picture = Image.fromarray(pixels)
    if min(picture.size) > _SHORT_SIDE:
        scale = _SHORT_SIDE / min(picture.size)
        picture = picture.resize(
            (round(picture.width * scale), round(picture.height * scale)), Image.Resampling.LANCZOS
        )
    seen = Image.fromarray((vision.look(picture, file="").mask * 255).astype(np.uint8)).resize(picture.size)
    side = min(_PATCH, *picture.size)
    total = np.pad(np.asarray(seen, np.float64), ((1, 0), (1, 0))).cumsum(0).cumsum(1)
    corners = [(y, x) for y in _places(picture.height - side) for x in _places(picture.width - side)]

    def dog(corner: tuple[int, int]) -> float:
        y, x = corner
        return float(total[y + side, x + side] - total[y, x + side] - total[y + side, x] + total[y, x])

    chosen: list[tuple[int, int]] = []
    for y, x in sorted(corners, key=dog, reverse=True):
        if len(chosen) < _PATCHES and all(abs(y - b) + abs(x - a) >= side // 3 for b, a in chosen):
            chosen.append((y, x))
    return [picture.crop((x, y, x + side, y + side)) for y, x in chosen]


def _places(room: int) -> list[int]:
    return [int(place) for place in np.unique(np.linspace(0, room, 6).astype(int))]


def closeup(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The largest square that lies wholly inside the dog by its trimap: simulates a photo of the coat from near."""
    if mask is None:
        return []
    reach = distance_transform_cdt(np.pad(mask == 255, 1), "chessboard")[1:-1, 1:-1]  # to the nearest that is not dog
    y, x = np.unravel_index(reach.argmax(), reach.shape)
    half = int(reach[y, x]) - 1
    inside = Image.fromarray(pixels[y - half : y + half + 1, x - half : x + half + 1])
    return [inside] if 2 * half + 1 >= _SMALLEST else []


def upper_third(pixels: Pixels, mask: Pixels | None) -> list[Image.Image]:
    """The upper third of the dog's box, where the head mostly is; the trimaps do not say on which side it is."""
    if mask is None or not mask.any():
        return []
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    bottom = rows[0] + (rows[-1] + 1 - rows[0]) // 3
    part = pixels[rows[0] : bottom, columns[0] : columns[-1] + 1]
    return [Image.fromarray(part)] if min(part.shape[:2]) >= _SMALLEST else []


@dataclass(frozen=True)
class TrialLook:
    """One way of looking at a photo: by which backbone, at what size (px), at which pictures cut from it."""

    backbone: str
    size: int
    cut: Callable[[Pixels, Pixels | None], list[Image.Image]]

    def read(self, pictures: list[Image.Image]) -> list[NDArray[np.float32]]:
        """Each of FEATURES as the mean over the pictures, (...)."""
        said = [_session(self.backbone).run(None, {"picture": to_tensor(one, self._rule)}) for one in pictures]
        return [np.mean(part, 0)[0] for part in zip(*said, strict=True)]

    @property
    def _rule(self) -> Preprocessing:
        return Preprocessing.model_validate(
            {"size": self.size, "rule": "aspect", "mean": (MEAN,) * 3, "std": (STD,) * 3}
        )


LOOKS = {
    "plain": TrialLook("lite2", 256, whole),
    "mirrored": TrialLook("lite2", 256, mirrored),
    "larger": TrialLook("lite2", 352, whole),
    "lite0": TrialLook("lite0", 256, whole),
    "patches": TrialLook("lite2", _PATCH, patches),
    "closeup": TrialLook("lite2", 256, closeup),
}


class _Pooled(nn.Module):
    """The frozen backbone up to what is kept of a picture."""

    def __init__(self, backbone: str) -> None:
        super().__init__()
        self.network = CoatNetwork(load_backbone(backbone)).eval()

    def forward(self, picture: Tensor) -> tuple[Tensor, ...]:
        """Picture (B, 3, H, W) to FEATURES: the pooled features; mean and spread of the last stage and of the fine
        maps; what the kinship head sees."""
        body: Any = self.network.backbone
        fine = body.blocks[:-2](body.bn1(body.conv_stem(picture)))
        last = body.blocks[-2:](fine)
        pooled = body.bn2(body.conv_head(last)).mean((2, 3))
        spread = [torch.cat([maps.mean((2, 3)), maps.flatten(2).std(2)], 1) for maps in (last, fine)]
        return pooled, *spread, self.network.kinship_inputs(body.classifier(pooled))


@cache
def _session(backbone: str) -> Any:
    return session_of(_Pooled(backbone), {name: {0: "batch"} for name in FEATURES})


def pool(photos: Path) -> Labels:
    """The labels of train and val; the photos of the test split are not even opened."""
    labels = read_labels(photos)
    return take(labels, labels.where("train", "val"))


def take(labels: Labels, chosen: NDArray[np.int64]) -> Labels:
    """The labels of the chosen photos."""
    return replace(labels, **{name: value[chosen] for name, value in vars(labels).items() if name != "breeds"})


def extract(photos: Path, labels: Labels, work: Path) -> dict[str, Features]:
    """Features of all photos by look; looks whose file is in the work folder are not repeated."""
    work.mkdir(parents=True, exist_ok=True)
    gallery, found = None, {}
    for name, look in LOOKS.items():
        path = work / f"{name}.npz"
        if not _is_of(path, labels):
            gallery = gallery or open_gallery(photos, labels)
            pairs = zip(gallery.pictures, gallery.masks, strict=True)
            read = [_read(look, *pair) for pair in tqdm(pairs, desc=name, total=len(labels), unit="photo")]
            np.savez(path, photo_id=labels.photo_id, mask_by=_mask_by(), **_stacked(read))  # type: ignore[arg-type]
        with np.load(path) as stored:
            found[name] = {part: stored[part] for part in FEATURES}
    return found


def _is_of(path: Path, labels: Labels) -> bool:
    if not path.is_file():
        return False
    with np.load(path) as stored:
        same_mask = "mask_by" in stored and str(stored["mask_by"]) == _mask_by()
        return same_mask and np.array_equal(stored["photo_id"], labels.photo_id)


def _mask_by() -> str:
    """The released network, whose mask tells where patches are cut."""
    return read_manifest().model_version


def _read(look: TrialLook, pixels: Pixels, mask: Pixels | None) -> list[NDArray[np.float32]] | None:
    pictures = look.cut(pixels, mask)
    return look.read(pictures) if pictures else None


def _stacked(read: list[list[NDArray[np.float32]] | None]) -> Features:
    missing = [np.full_like(part, np.nan) for part in next(one for one in read if one is not None)]
    return {
        name: np.array(rows, np.float32)
        for name, rows in zip(FEATURES, zip(*(one or missing for one in read), strict=True), strict=True)
    }


def relative_seconds(photos: Path, labels: Labels) -> dict[str, float]:
    """Time of each look at a photo over that of the plain look: medians over photos of the best of three tries.

    Cutting is not counted, nor is the mask that says where: the released network gives it anyway. A close-up is
    brought to the same size as the photo, and takes as long.
    """
    taken: dict[str, list[float]] = {name: [] for name in LOOKS}
    for index in np.linspace(0, len(labels) - 1, _TIMED).astype(int):
        pixels = np.asarray(photo.load(photos / labels.file[index]).image)
        for name, look in LOOKS.items():
            pictures = look.cut(pixels, None) or whole(pixels, None)
            taken[name].append(min(repeat(partial(look.read, pictures), number=1, repeat=3)))
    middle = {name: float(np.median(seconds)) for name, seconds in taken.items()}
    return {name: seconds / middle["plain"] for name, seconds in middle.items()}


Array = NDArray[np.float64]
Fold = NDArray[np.int64]
REGIMES = {"unseen dogs": "group", "unseen breeds": "breed"}
_CONFIGS = Path(__file__).resolve().parent.parent / "configs"
_C, _NEVER = 0.03, -20.0  # of the regressions on routes; and the score of a category that none of the photos showed


@dataclass(frozen=True)
class TrialSetup:
    """Everything a trial needs.

    Attributes:
        labels: of the photos of train and val, N.
        folds: fold of each photo (N,) by what is held out: ``group`` (the dog), ``breed``, ``source``.
        features: by look.
        seconds: of each look, relative to the plain one.
        heads: L2 strengths of the linear heads.
        members: how the ensemble's regressions are fitted.
    """

    labels: Labels
    folds: dict[str, Fold]
    features: dict[str, Features]
    seconds: dict[str, float]
    heads: Heads
    members: dict[str, Any]

    def pooled(self, *looks: str) -> Array:
        """Pooled features of these looks side by side, (N, ...)."""
        return np.concatenate([self.features[look]["pooled"] for look in looks], 1)

    def texture(self, views: Sequence[Array], by: str, target: NDArray[np.float32] | None = None) -> Array:
        """Log P(category) (N, 7) from pooled features, learned on all views and read on all of them."""
        said = held_out(self, views, self.labels.category if target is None else target, by, l2=self.heads.texture_l2)
        return log_softmax(np.mean([log_softmax(scores) for scores in said], 0))

    def kinship(self, looks: Sequence[str], by: str) -> Array:
        """Log P(category) (N, 7) from ImageNet's breeds."""
        views = [self.features[look]["kinship"] for look in looks]
        said = held_out(self, views, self.labels.category, by, l2=self.heads.kinship_l2)
        return log_softmax(np.mean([log_softmax(scores) for scores in said], 0))


def prepare(labels: Labels, features: dict[str, Features], seconds: dict[str, float]) -> TrialSetup:
    """Folds as the image model's training draws them, strengths as its frozen configuration has them."""
    config = read_config(_CONFIGS / "frozen.toml")
    members = tomllib.loads((_CONFIGS / "ensemble.toml").read_text(encoding="utf-8"))["members"]
    return TrialSetup(labels, make_plan(labels, config, release=True).folds, features, seconds, config.heads, members)


def held_out(
    setup: TrialSetup,
    views: Sequence[NDArray[Any]],
    target: NDArray[np.float32],
    by: str,
    *,
    l2: float,
    say: NDArray[np.float32] | None = None,
    loss: Callable[[Tensor, Tensor], Tensor] = soft_cross_entropy,
    learn: Sequence[int] | None = None,
) -> list[Array]:
    """Scores of each view (N, K), by a linear model that never saw the photo's dog, breed or source.

    Args:
        views: inputs (N, ...) of the same photos, looked at in several ways; rows of NaN are neither learned nor read.
        target: (N, K).
        by: what is held out, a key of ``folds``.
        say: (N,) weight of each photo, the labels' own if not given.
        learn: places of the views that are learned from, all if not given.
    """
    fold, say = setup.folds[by], setup.labels.weight if say is None else say
    scores = [np.full((len(fold), target.shape[1]), np.nan) for _ in views]
    for k in range(int(fold.max()) + 1):
        rows = [(view, np.flatnonzero((fold != k) & np.isfinite(view[:, 0]) & (say > 0))) for view in views]
        chosen = [rows[place] for place in (learn or range(len(views)))]
        fitted = fit_linear(
            torch.from_numpy(np.concatenate([view[seen] for view, seen in chosen]).astype(np.float32)),
            torch.from_numpy(np.concatenate([target[seen] for _, seen in chosen])),
            torch.from_numpy(np.concatenate([say[seen] for _, seen in chosen])),
            loss=loss,
            outputs=target.shape[1],
            l2=l2,
        )
        for view, said in zip(views, scores, strict=True):
            said[fold == k] = fitted(torch.from_numpy(view[fold == k].astype(np.float32))).numpy()
    return scores


def regression(setup: TrialSetup, inputs: dict[str, Array]) -> dict[str, Array]:
    """Log P(category) (N, 7) by regime, by a logistic regression on what the routes say (N, ...) in either regime.

    As the ensemble does, it learns from networks that never saw the breed. It is fitted without the dogs that it reads,
    and in the second regime without their breeds. Both annotators speak: a photo counts once for each of its labels.
    """
    names = len(CATEGORIES)
    known = {regime: np.maximum(said, setup.members["floor"]) for regime, said in inputs.items()}
    learned, share = known["unseen breeds"], setup.labels.category.astype(np.float64)
    found = {}
    for regime, by in REGIMES.items():
        fold = setup.folds[by]
        found[regime] = np.zeros((len(fold), names))
        for k in range(int(fold.max()) + 1):
            photo, label = np.nonzero(share * (fold != k)[:, None])
            member = LogisticRegression(C=_C, max_iter=2000)
            member.fit(learned[photo], label, sample_weight=share[photo, label])
            said = np.full(((fold == k).sum(), names), _NEVER)
            said[:, member.classes_] = member.predict_log_proba(known[regime][fold == k])
            found[regime][fold == k] = log_softmax(said)
    return found


def blend(*routes: Array) -> Array:
    """Log probabilities (N, 7): the mean of the routes' logs."""
    return log_softmax(np.mean(routes, 0))


COLUMNS = (
    "trial", "route", "regime", "photos", "accuracy", "macro_f1_without_mixed", "log_loss", "soft_log_loss", "brier",
    "against", "difference", "difference_low", "difference_high", "verdict", "relative_seconds",
    "auc", "found_at_1", "found_at_3", "found_at_5", "refused", "no_dog", "settled", "settled_right", "note",
)  # fmt: skip
_FIGURES = ("accuracy", "macro_f1_without_mixed", "log_loss", "soft_log_loss")
_RESAMPLES, _SEED = 2000, 8
Row = dict[str, Any]


def category_row(
    labels: Labels,
    log_p: NDArray[Any],
    *,
    regime: str,
    chosen: NDArray[Any] | None = None,
    other: NDArray[Any] | None = None,
    **words: Any,
) -> Row:
    """Accuracy, F1, log loss and Brier score of log probabilities (N, 7) on the chosen photos.

    Args:
        other: what ``words["against"]`` names, (N, 7); the difference is this log loss less the other's. Its interval
            resamples breeds where breeds were held out, else dogs; the verdict is by the interval.
        words: trial, route, note and the like.
    """
    chosen = np.arange(len(labels)) if chosen is None else chosen
    found = category_figures(log_p, labels, chosen)
    row = {"regime": regime, "photos": len(chosen), **{name: found[name] for name in _FIGURES}, **words}
    row["brier"] = float(np.square(np.exp(log_p[chosen]) - labels.category[chosen]).sum(1).mean())
    if other is None:
        return row | {"against": ""}
    truth = labels.category_hard[chosen]
    keys = (labels.breed if regime.startswith("unseen breeds") else labels.group)[chosen]
    mean, low, high = interval(other[chosen, truth] - log_p[chosen, truth], keys)
    verdict = "helps" if high < 0 else "harms" if low > 0 else "no clear difference"
    return row | {"difference": mean, "difference_low": low, "difference_high": high, "verdict": verdict}


def interval(values: NDArray[Any], keys: NDArray[Any]) -> tuple[float, float, float]:
    """Mean of the values (n,) and its 95 % interval, by bootstrap over groups of equal key."""
    _, place = np.unique(keys, return_inverse=True)
    totals, counts = np.bincount(place, values), np.bincount(place)
    drawn = np.random.default_rng(_SEED).multinomial(len(totals), np.full(len(totals), 1 / len(totals)), _RESAMPLES)
    low, high = np.quantile(drawn @ totals / (drawn @ counts), [0.025, 0.975])
    return float(values.mean()), float(low), float(high)


def write(path: Path, columns: tuple[str, ...], rows: list[Row]) -> None:
    """Write the table, figures to four decimals; empty where a column does not apply."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, columns, lineterminator="\n")
        table.writeheader()
        table.writerows([{name: _shown(value) for name, value in row.items()} for row in rows])


def _shown(value: Any) -> Any:
    return round(value, 4) if isinstance(value, float) else value
