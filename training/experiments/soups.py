"""``python -m training soups``: means of the weights of several trainings, and several views of a photo, out of fold.

In two steps. On a GPU, every configuration is trained in five folds by dog and five by breed, and photos are read by
means of weights (model soups, Wortsman et al. 2022, arXiv 2203.05482). With ``--measure``, on a CPU, what they read is
put before the ensemble, and the differences from the released evidence are written to ``models/soups.csv``. The photos
of the test split are not even opened.
"""

from __future__ import annotations

import argparse
import csv
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coatclass.durable import new_file
from training.places import ROOT, add_photos_argument

__all__ = ["add_arguments", "compared", "probabilities", "run"]

_CONFIG = ROOT / "training" / "configs" / "ensemble.toml"
_HELD_OUT = {"group": "dog never seen", "breed": "breed never seen"}
_FIELDS = ("texture", "kinship", "band", "outline", "unfamiliarity")
_PLAIN, _BESIDE = "plain", ("mirrored", "larger", "dog")
_SHARES = 0.5, 0.75
_LARGER = 1.2  # side of the larger view
Array = NDArray[Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command understands."""
    parser.add_argument("--config", type=Path, nargs="+", help="configurations whose trainings are averaged")
    parser.add_argument("--measure", action="store_true", help="measure what lies in --out, write soups.csv")
    parser.add_argument("--weights", type=Path, help="folder of ImageNet weights, where their packages are missing")
    parser.add_argument("--workers", type=int, default=2, help="processes that load pictures (default: 2)")
    parser.add_argument(
        "--minutes", type=float, default=1e6, help="begin no training after so long, no reading half as long later"
    )
    add_photos_argument(parser)
    parser.add_argument("--work", type=Path, default=ROOT / "runs" / "soups", help="where trainings are kept")
    parser.add_argument("--out", type=Path, default=ROOT / "runs" / "soups" / "read", help="where readings go")
    parser.add_argument("--models", type=Path, default=ROOT / "models", help="the release, and where soups.csv goes")


def run(options: argparse.Namespace) -> int:
    """Train and read, or measure; return the exit code."""
    if options.measure:
        rows = list(_measured(options.out, options.models))
        with (options.models / "soups.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    else:
        _train_and_read(options)
    return 0


# --- on a GPU --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Soup:
    """Which trainings are averaged (configuration and seed), with which share, and whether several views are read."""

    name: str
    parts: tuple[tuple[str, int], ...]
    share: float
    views: bool = False


def _soups(trained: Sequence[tuple[str, int]]) -> list[Soup]:
    """One training of each configuration, all of it, and all of all of them; every mean at two shares."""
    names = list(dict.fromkeys(name for name, _ in trained))
    wholes = {name: tuple(part for part in trained if part[0] == name) for name in names}
    found = []
    for share in _SHARES:
        found += [Soup(f"{name}-1", parts[:1], share) for name, parts in wholes.items()]
        found += [Soup(name, parts, share, views=True) for name, parts in wholes.items() if len(parts) > 1]
        if len(wholes) > 1:
            found.append(Soup("all", tuple(trained), share))
    return found


def _train_and_read(options: argparse.Namespace) -> None:
    import torch

    from training.experiments.probes import pool
    from training.image.config import read_config
    from training.image.finetune import join_crew
    from training.image.labels import make_plan
    from training.image.pictures import open_gallery, prepare
    from training.image.train import Places, Setup, claim, end_file, finetune_job, frozen_network

    began = time.monotonic()
    crew = join_crew()
    torch.backends.cudnn.allow_tf32 = True
    configs, labels = [read_config(path) for path in options.config], pool(options.photos)
    places = Places(options.photos, options.out, options.work, options.weights)
    claim(configs, places, crew)
    options.out.mkdir(parents=True, exist_ok=True)
    gallery = open_gallery(options.photos, labels)
    prepared = prepare(gallery.pictures, configs[0].preprocessing).to(crew.device)
    plan = make_plan(labels, configs[0], release=False)
    jobs = [job for job in plan.jobs if job != "val"]
    benches = {one.name: Setup(one, labels, gallery, prepared, plan, crew, options.work / one.name) for one in configs}
    frozen, views = frozen_network(next(iter(benches.values())), options.weights)
    wanted = [(one.name, seed) for one in configs for seed in one.seeds]
    for name, seed, job in crew.share([(*part, job) for part in wanted for job in jobs]):
        if time.monotonic() - began < 60 * options.minutes:
            finetune_job(benches[name], frozen, views, job=job, seed=seed, workers=options.workers)
    crew.wait()
    trained = [(name, seed) for name, seed in wanted
               if all(end_file(benches[name], job, seed).is_file() for job in jobs)]  # fmt: skip
    print(f"{time.monotonic() - began:.0f} s: trained {trained}", flush=True)
    soups = _soups(trained)
    for job, soup in crew.share([(job, soup) for soup in soups for job in jobs]):
        if time.monotonic() - began < 90 * options.minutes and not _part(options.work, soup, job).is_file():
            _read(benches, soup, job, (frozen, views), options.work)
    crew.wait()
    complete = [soup for soup in soups if all(_part(options.work, soup, job).is_file() for job in jobs)]
    for soup in crew.share(complete):
        _join(soup, jobs, plan.folds, options.work, options.out)
    crew.wait()
    print(f"{time.monotonic() - began:.0f} s: read {len(complete)} of {len(soups)} means", flush=True)


def _part(work: Path, soup: Soup, job: str) -> Path:
    return work / f"soup-{soup.name}-{soup.share}-{job}.npz"


def _read(benches: dict[str, Any], soup: Soup, job: str, frozen: tuple[Any, Any], work: Path) -> None:
    """Read, by each view, the photos that a soup's trainings never saw."""
    from training.image.finetune import interpolate
    from training.image.heads import pooled, pooled_near, read_features
    from training.image.pictures import Gallery, Prepared, prepare
    from training.image.train import end_of, start_of

    setup = benches[soup.parts[0][0]]
    start = start_of(setup, *frozen, job)
    ends = [end_of(benches[name], job, seed) for name, seed in soup.parts]
    network = interpolate(start, ends, soup.share)
    learned = setup.plan.jobs[job]
    held_out = np.setdiff1d(np.arange(len(setup.labels)), learned)
    features, _ = pooled(network, setup.prepared)
    network.set_familiar(features[learned].to(setup.crew.device))
    seen = {_PLAIN: features[held_out]}
    if soup.views:
        rule = setup.config.preprocessing
        kept = [setup.prepared.tensors[k] for k in held_out]
        pictures = [setup.gallery.pictures[k] for k in held_out]
        wide = rule.model_copy(update={"size": int(rule.size * _LARGER)})
        seen["mirrored"] = pooled(network, Prepared(tuple(tensor.flip(-1) for tensor in kept)))[0]
        seen["larger"] = pooled(network, prepare(pictures, wide))[0]
        here = Gallery(pictures, [None] * len(pictures))
        seen["dog"] = pooled_near(network, here, Prepared(tuple(kept)), rule, np.arange(len(kept)))
    columns: dict[str, Array] = {}
    for view, pooled_of in seen.items():
        readings = read_features(network, pooled_of)
        columns |= {f"{view}:{field}": getattr(readings, field) for field in _FIELDS}
    with new_file(_part(work, soup, job)) as stream:
        np.savez(stream, held_out=held_out, **columns)  # type: ignore[arg-type]


def _join(soup: Soup, jobs: Sequence[str], folds: dict[str, Array], work: Path, out: Path) -> None:
    """Join a soup's folds: by what was held out, each photo as read by the network that never saw it."""
    found: dict[str, Array] = {f"fold:{by}": fold for by, fold in folds.items()}
    for job in jobs:
        by = job.rstrip("0123456789")
        with np.load(_part(work, soup, job)) as part:
            for name in part.files:
                if name != "held_out":
                    shape = (len(folds[by]), *part[name].shape[1:])
                    found.setdefault(f"{by}:{name}", np.full(shape, np.nan, np.float32))[part["held_out"]] = part[name]
    np.savez_compressed(out / f"{soup.name}@{soup.share}.npz", **found)  # type: ignore[arg-type]


# --- on a CPU --------------------------------------------------------------------------------------------------------


def _measured(read: Path, models: Path) -> Iterator[dict[str, Any]]:
    """A row for each mean of weights and choice of views: the ensemble's figures, less those of the release."""
    from training.ensemble.data import load

    config = tomllib.loads(_CONFIG.read_text(encoding="utf-8"))
    data = load(models / "evidence.npz")
    data = data.take(data.split != "test")
    before = probabilities(data, config)
    yield {"weights": "released", "share": "0.5", "views": _PLAIN} | compared(data, before, before)
    for path in sorted(read.glob("*.npz")):
        name, share = path.stem.split("@")
        with np.load(path) as stored:
            columns = {key: stored[key] for key in stored.files}
        views = [view for view in _BESIDE if f"group:{view}:texture" in columns]
        for chosen in ([_PLAIN], *([_PLAIN, view] for view in views), *([[_PLAIN, *views]] if views else [])):
            said = probabilities(_with(data, columns, chosen), config)
            yield {"weights": name, "share": share, "views": " and ".join(chosen)} | compared(data, said, before)


def _with(data: Any, columns: dict[str, Array], views: Sequence[str]) -> Any:
    """The photos with other evidence: the mean of the views' log probabilities."""

    def mean(by: str, field: str) -> Array:
        return np.asarray(np.mean([columns[f"{by}:{view}:{field}"] for view in views], axis=0), np.float64)

    names = {"band_evidence": "band"} | {field: field for field in _FIELDS if field != "band"}
    seen = {name: mean("group", field) for name, field in names.items()}
    return replace(data, **seen, **{f"unseen_{field}": mean("breed", field) for field in _FIELDS})


def probabilities(data: Any, config: dict[str, Any]) -> dict[str, Array]:
    """P(category) (N, 7) of the cross-fitted ensemble, by what was held out."""
    from coatclass.ensemble.fusion import marginals
    from training.ensemble.members import cross_fitted

    return {by: marginals(joint)[0] for by, joint in zip(_HELD_OUT, cross_fitted(data, config), strict=True)}


def compared(data: Any, said: dict[str, Array], before: dict[str, Array]) -> dict[str, Any]:
    """Accuracy and log loss by what was held out, and how much they differ from before, with 95 % intervals."""
    from coatclass.reports.evaluation import bootstrap
    from training.evaluation.votes import FAMILY, RARE_PLACES

    row: dict[str, Any] = {"photos": len(data)}
    photo, rare = np.arange(len(data)), np.isin(data.category, RARE_PLACES)
    for by, p in said.items():
        old, units = before[by], data.breed if by == "breed" else data.group
        values: dict[str, Callable[[Array], Array]] = {
            "accuracy": lambda q: (q.argmax(1) == data.category).astype(float),
            "accuracy_hair_or_drop": lambda q: (FAMILY[q.argmax(1)] == FAMILY[data.category]).astype(float),
            "log_loss": lambda q: -np.log(q[photo, data.category]),
            "vote_log_loss": lambda q: -(data.votes * np.log(q)).sum(1),
        }
        for part, where in (("", np.ones(len(data), bool)), ("rare_", rare)):
            for figure, value in values.items():
                new, less = value(p), value(p) - value(old)
                found = bootstrap({"difference": _mean(less, where)}, units)["difference"]
                column = f"{_HELD_OUT[by].replace(' ', '_')}_{part}{figure}"
                row |= {column: round(float(new[where].mean()), 4), f"{column}_less": round(found.value, 4)}
                row |= {f"{column}_low": round(found.low, 4), f"{column}_high": round(found.high, 4)}
    return row


def _mean(values: Array, where: Array) -> Callable[[Array], float]:
    return lambda rows: float(values[rows][where[rows]].mean())
