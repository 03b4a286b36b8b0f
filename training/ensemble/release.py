"""Writing the fit: members, thresholds, and a manifest with the SHA-256 of each."""

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

from training.ensemble.data import Dataset, unseen_file
from training.ensemble.figures import figures, page
from training.ensemble.fit import Fitted
from training.ensemble.owners import Rows
from training.places import commit, sha256

__all__ = ["release"]

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
        "commit": commit(),
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
    """A version that changes with every number that shapes a result."""
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
