"""Writing the fit: members, thresholds, their manifest, and what answers add (``answers.json``, ``ANSWERS.md``)."""

from __future__ import annotations

import argparse
import hashlib
import json
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

import numpy as np

from coatclass.decision import LENGTH_FAMILY, RegimeThresholds, promise
from coatclass.ensemble.fusion import marginals
from coatclass.ensemble.members import Array, Members
from coatclass.reports.evaluation import binomial_interval, bootstrap
from coatclass.taxonomy import CATEGORIES, CoatCategory
from training.ensemble.data import VISIBLE, Dataset, Rows, answers_of, known_bands, observed, tables, unseen_file
from training.ensemble.fit import KNOWN, RARE, UNSEEN, Fitted, Pool, estimate_tables, met, said_of
from training.places import code_sha256, sha256

__all__ = ["figures", "page", "release"]

_ROWS_SOURCE = (
    "counted on answers that a vision-language model gave from the pictures of train and val (no person, no owner), "
    "shrunk to coatclass/answers/data/likelihood.csv; 7 categories of 4 bands"
)


def release(result: Fitted, data: Dataset, args: argparse.Namespace, image_model: str) -> Iterator[str]:
    """Write the files of the release and their manifest ``ensemble.json``; yield lines for people."""
    name = _name(result)
    members = replace(result.members, version=name).to_json()
    thresholds = result.thresholds.model_copy(update={"version": name}).model_dump(mode="json")
    files = {}
    rows = {"version": name, "source": _ROWS_SOURCE, "tables": _plain(result.rows)}
    contents = {"ensemble_members.json": members, "ensemble_thresholds.json": thresholds, "ensemble_answers.json": rows}
    for file, content in contents.items():
        text = json.dumps(content, indent=1, sort_keys=True) + "\n"
        (args.out / file).write_text(text, encoding="utf-8")
        files[file] = hashlib.sha256(text.encode("utf-8")).hexdigest()
    found = figures(result.pool, result, tomllib.loads(args.config.read_text(encoding="utf-8")))
    (args.out / "ANSWERS.md").write_text(page(result, found, data, name), encoding="utf-8")
    (args.out / "answers.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    manifest: dict[str, Any] = {
        "version": name,
        "files": files,
        "image_model": image_model,
        "fitted_on": {
            "evidence_sha256": sha256(args.evidence),
            "unseen_breeds_sha256": sha256(unseen_file(args.evidence)),
            "photos": int((data.split != "test").sum()),
            "answers": "observed on the photos for curl, lie, beard and brows; simulated for the rest; no owner's yet",
        },
        "notes": _rounded(result.notes),
        "command": "python -m training ensemble",
        "code_sha256": code_sha256(),
        "config": args.config.read_text(encoding="utf-8"),
        "environment": {name: version(name) for name in ("scikit-learn", "mapie", "numpy")},
        "date": datetime.now(UTC).date().isoformat(),
    }
    (args.out / "ensemble.json").write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")
    yield f"{name}: temperatures {_short(members['category_temperature'])}, bands {_short(members['band_temperature'])}"
    yield f"answers count with exponent {_short(members['answer_weight'])}"
    for regime, at in thresholds["regimes"].items():
        yield (
            f"{regime}: sets from {at['category_at']:.3f} (bands {at['band_at']:.3f}), settled from "
            f"{at['settle_at']:.3f}, mixed from {at['mixed_at']:.4f}, hair and drop apart under {at['length_at']:.4f}"
        )


def _short(values: dict[str, float]) -> str:
    return ", ".join(f"{regime} {value:.2f}" for regime, value in values.items())


def _name(result: Fitted) -> str:
    """A version that changes whenever a number that affects results does."""
    content = [result.members.to_json(), result.thresholds.model_dump(mode="json"), _plain(result.rows)]
    return f"ensemble-{hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:8]}"


def _plain(rows: Rows) -> dict[str, dict[str, Any]]:
    """Rows as JSON values, answers by their words."""
    return {
        question: {str(answer).lower(): np.round(table, 9).tolist() for answer, table in by_answer.items()}
        for question, by_answer in rows.items()
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(entry) for key, entry in value.items()}
    return round(value, 5) if isinstance(value, float | np.floating) else value


_FAMILY = sorted(CATEGORIES.index(category) for category in LENGTH_FAMILY)
_MIXED = CATEGORIES.index(CoatCategory.MIXED)
_WAYS = {
    "photo alone": ("photo", "observed", 0.0),
    "and three observed answers, stated rows, exponent 1 (as before)": ("both", "observed", 1.0),
    "and three observed answers, counted rows, exponent 1": ("both", "counted", 1.0),
    "and three observed answers, counted rows, fitted exponent": ("both", "counted", None),
    "and three observed answers, stated rows, fitted exponent (released)": ("both", "observed", None),
    "and three simulated answers, a tenth of them wrong (released)": ("both", "simulated", None),
}
Row = dict[str, Any]


def figures(whole: Pool, fitted: Fitted, config: dict[str, Any], *, resamples: int = 1000) -> dict[str, Any]:
    """What photo and answers say of the pool, read out of fold; temperatures and limits are the released ones."""
    told = _told(whole, config)
    return {
        "worth": list(_worth(whole, fitted.members, told, resamples)),
        "coats": list(_coats(whole, fitted, told)),
    }


def _told(whole: Pool, config: dict[str, Any]) -> dict[str, tuple[Array, Array, Array]]:
    """Log likelihoods of the visible answers: of all of them, and of those that a photo shows as well."""
    data, rng = whole.data, np.random.default_rng([config["seed"], 9])
    bands, everyone = known_bands(data, rng), range(len(data))
    watched = [answers_of(int(data.category[row]), int(bands[row]), rng, seen=observed(data, row)) for row in everyone]
    drawn = [answers_of(int(data.category[row]), int(bands[row]), rng, error_rate=0.1, ask=VISIBLE) for row in everyone]
    told, visible, stated = tables(watched, whole.rows)
    return {
        "observed": (told, visible, stated),
        "counted": (told, visible, visible),
        "simulated": tables(drawn, whole.rows),
    }


def _category(
    whole: Pool, breed: str, way: tuple[str, str, float | None], members: Members, told: dict[str, Any]
) -> Array:
    regime, account, weight = way
    if weight is not None:
        members = replace(members, answer_weight={**members.answer_weight, "both": weight})
    return marginals(estimate_tables(regime, met(whole, breed, *told[account]), members))[0]


def _worth(whole: Pool, members: Members, told: dict[str, Any], resamples: int) -> Iterator[Row]:
    """Accuracy and log loss with intervals over dogs, and the paired gain over the photo alone."""
    truth, groups = whole.data.category, whole.data.group
    for breed in (KNOWN, UNSEEN):
        alone = _category(whole, breed, _WAYS["photo alone"], members, told)
        for name, way in _WAYS.items():
            p = _category(whole, breed, way, members, told)
            for coats, chosen in (("all", np.ones(len(truth), bool)), ("rare", np.isin(truth, RARE))):
                yield {"breeds": breed, "way": name, "coats": coats, "dogs": int(chosen.sum())} | _scores(
                    p[chosen], alone[chosen], truth[chosen], groups[chosen].tolist(), resamples
                )


def _scores(p: Array, alone: Array, truth: Any, groups: list[str], resamples: int) -> Row:
    def right(of: Array) -> Array:
        return np.asarray(of.argmax(axis=1) == truth, dtype=np.float64)

    def family(of: Array) -> Array:
        said = of.argmax(axis=1)
        soft = np.isin(said, _FAMILY) & np.isin(truth, _FAMILY)
        return np.asarray((said == truth) | soft, dtype=np.float64)

    loss, before = (-np.log(of[np.arange(len(truth)), truth].clip(1e-12)) for of in (p, alone))
    ours, theirs, soft = right(p), right(alone), family(p)
    found = bootstrap(
        {
            "accuracy": lambda r: float(ours[r].mean()),
            "accuracy_hair_and_drop_as_one": lambda r: float(soft[r].mean()),
            "log_loss": lambda r: float(loss[r].mean()),
            "gain_in_accuracy": lambda r: float(ours[r].mean() - theirs[r].mean()),
            "fall_in_log_loss": lambda r: float(before[r].mean() - loss[r].mean()),
        },
        groups,
        resamples=resamples,
    )
    return {name: [round(float(value), 4) for value in (one.value, one.low, one.high)] for name, one in found.items()}


def _coats(whole: Pool, fitted: Fitted, told: dict[str, Any]) -> Iterator[Row]:
    """Verdicts by coat: settled, wrongly so, the truth in the set; and of mixed coats, in the set or left to hands."""
    for breed in (KNOWN, UNSEEN):
        for regime in ("photo", "both"):
            at = fitted.thresholds.regimes[regime]
            said = said_of(regime, met(whole, breed, *told["observed"]), fitted.members, at)
            for place, category in enumerate(CATEGORIES):
                of = whole.data.category == place
                wrong = said.settled & ~said.right
                yield {
                    "breeds": breed,
                    "regime": regime,
                    "coat": str(category),
                    "dogs": int(of.sum()),
                    "settled": int(said.settled[of].sum()),
                    "wrong": int(wrong[of].sum()),
                    "in_set": int(said.covered[of].sum()),
                    "in_set_or_hands": int((said.covered | said.hands)[of].sum()),
                }


# --- the page -------------------------------------------------------------------------------------------------------


def page(result: Fitted, found: dict[str, Any], data: Dataset, name: str) -> str:
    """``ANSWERS.md``."""
    lines = [
        "# Answers beside a photo: what they add, and which promises hold",
        "",
        f"Written by `python -m training ensemble` for `{name}`, on {int((data.split != 'test').sum())} photos of "
        "train and val, read out of fold: no network, member or row of P(answer | coat) was fitted on the dog; *unseen "
        "breeds* are the same dogs, read by networks and rows that never saw their breed. No person labelled or "
        "answered: labels and *observed* answers (curl, lie, beard and brows, from the picture) are passes of a "
        "vision-language model, with errors that they may share; *simulated* answers are drawn from rows of P(answer | "
        "coat). Real owners will err more and otherwise. In brackets: 95 % intervals, bootstrap over dogs, or exact "
        "(Clopper and Pearson) for counts. Rare coats: all but fur and arctic.",
    ]
    for breed, title in ((KNOWN, "Breeds that training knew"), (UNSEEN, "Breeds that training never saw")):
        lines += ["", f"## {title}", "", _head("Photo", "Coats", "Accuracy", "Hair and drop as one", "Log loss",
                  "Gain in accuracy over the photo", "Fall in log loss")]  # fmt: skip
        for row in found["worth"]:
            if row["breeds"] == breed:
                cells = [_interval(row[key]) for key in ("accuracy", "accuracy_hair_and_drop_as_one", "log_loss",
                         "gain_in_accuracy", "fall_in_log_loss")]  # fmt: skip
                lines.append(_line(row["way"], f"{row['coats']} ({row['dogs']})", *cells))
    lines += ["", "## Promises by regime and number of answers", "", _promises(result)]
    head = _head("Regime, dogs", "Settled", "Wrong among settled", "Truth in the set",
                 "On dogs that set no limit: wrong", "truth in the set", "Said to clash, of all")  # fmt: skip
    lines += ["", head, *_kept(result.notes["settled"])]
    lines += ["", "## By coat", "", _head("Photo, breeds", "Coat", "Settled", "Wrong", "Truth in the set",
              "Truth in the set, or hands")]  # fmt: skip
    for row in found["coats"]:
        sources = "three observed answers" if row["regime"] == "both" else "photo alone"
        counts = [f"{row[key]} of {row['dogs']}" for key in ("settled", "wrong", "in_set", "in_set_or_hands")]
        lines.append(_line(f"{sources}, {_words(row['breeds'])}", row["coat"], *counts))
    return "\n".join(lines) + "\n"


def _promises(result: Fitted) -> str:
    made = promise()
    at: dict[str, RegimeThresholds] = result.thresholds.regimes
    refused = [regime for regime, limits in at.items() if limits.settle_at > 1]
    never = f" Nothing is settled in: {', '.join(refused)}." if refused else ""
    return (
        f"Promised: at most {made['settled_risk']:.0%} of the settled coats are wrong (with "
        f"{made['settled_confidence']:.0%} confidence over the choice of the dogs that set the limit), and the set "
        f"holds the truth for {made['set_reliability']:.0%}. Each regime has one limit, the strictest that any kind of "
        f"dogs below asks for; where one asks for a limit that can't be reached, nothing is settled.{never} The limits "
        "were set on the first columns' dogs; the last columns' set weights and temperatures only. Answers alone: dogs "
        "drawn from the background, with observed answers where there are any. Said to clash: answers belong to the "
        "dog, so these are false alarms."
    )


def _kept(settled: dict[str, Any]) -> Iterator[str]:
    for regime, by_kind in settled.items():
        for kind, row in by_kind.items():
            if not isinstance(row, dict):
                continue
            other = row["on_other_dogs"]
            yield _line(
                f"{regime}: {_words(kind)}",
                f"{row['settled'] / row['dogs']:.0%} of {row['dogs']}",
                wrong_of_settled(row["wrong"], row["settled"]),
                f"{row['covered'] / row['dogs']:.3f}",
                wrong_of_settled(other["wrong"], other["settled"]),
                f"{other['covered'] / other['dogs']:.3f}",
                f"{(row['clash'] + other['clash']) / (row['dogs'] + other['dogs']):.1%}",
            )


def wrong_of_settled(wrong: int, of: int) -> str:
    """How many of the settled coats are wrong, with the exact 95 % interval of the share; ``of`` may be 0."""
    if not of:
        return "none settled"
    low, high = binomial_interval(wrong, of)
    return f"{wrong} of {of}: {wrong / of:.1%} ({low:.1%} to {high:.1%})"


def _words(kind: str) -> str:
    return kind.replace("_", " ")


def _head(*names: str) -> str:
    return f"| {' | '.join(names)} |\n|{'---|' * len(names)}"


def _line(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"


def _interval(figure: list[float]) -> str:
    value, low, high = figure
    return f"{value:.3f} ({low:.3f} to {high:.3f})"
