"""The figures that README and model card quote: written between two marks, from ``metrics.json``, never by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from training.evaluation.markdown import Reading, beside_aim, counted, figure_rows, table, with_interval
from training.places import ROOT

__all__ = ["BEGIN", "END", "put_between", "quote", "quoted"]

BEGIN, END = "<!-- figures of models/metrics.json: begin -->", "<!-- figures of models/metrics.json: end -->"

_QUOTED = {
    ("category", "accuracy"),
    ("category", "macro_f1_without_mixed"),
    ("category", "log_loss"),
    ("category", "ece_15"),
    ("category", "coverage_at_2_percent_error"),
    ("category", "coverage_at_5_percent_error"),
    ("band", "exact"),
    ("band", "quadratic_weighted_kappa"),
}
_SURE = 3.0  # both annotators' confidence where they were sure
_WRONG_ANSWERS = 0.1
# Rows of the table of unseen breeds.
_OUT_OF_FOLD = (
    "dog never seen",
    "breed never seen",
    "breed never seen, named by ImageNet",
    "breed never seen, not named by ImageNet",
)


def quoted(report: dict[str, Any]) -> str:
    """A table of the release beside its reference and its aims, and what else a reader must know; Markdown."""
    data, made = report["data"], report["made_by"]
    reference = report["reference"]["figures"]["category"]["accuracy"]
    lines = [
        f"Photo alone, on {data['dogs']} test photos of {data['groups']} dogs ({data['refused']} more could not be "
        "used). Cross-validated: on train and val. In brackets 95 % intervals: over dogs; over breeds where the breed "
        "was never seen; exact for counts. The reference is a plain logistic regression on frozen features, on all "
        f"{reference['n']} photos of the split. Image model "
        f"`{made['image_model']}`, ensemble `{made['ensemble']}`.",
        "",
        *table(("", "released", "reference", "aim", "short by"), _rows(report)),
        "",
        *(f"- {sentence}" for sentence in _sentences(report)),
    ]
    return "\n".join(lines)


def _rows(report: dict[str, Any]) -> Iterator[tuple[str, ...]]:
    yield from figure_rows(report, only=_QUOTED)
    sure = next(row for row in report["by_confidence"] if row["confidence"] == _SURE)
    yield "category: accuracy where both annotators were sure", *beside_aim(sure["accuracy"], None, "sure", "accuracy")
    for name in _OUT_OF_FOLD:
        ours, theirs = (_out_of_fold(report, before + name) for before in ("", "reference, "))
        yield f"cross-validated, {name}: accuracy", *beside_aim(ours, theirs, "out_of_fold", name)


def _out_of_fold(report: dict[str, Any], name: str) -> Reading:
    part = next(part for part in report["extras"] if part["id"] == "unseen_breeds")
    rows = {row[0]: row for row in part["rows"]}
    figure: Reading = rows[name][part["head"].index("accuracy")] if name in rows else None
    return figure


def _sentences(report: dict[str, Any]) -> list[str]:
    settled = next(row for row in report["verdicts"] if row["verdict"] == "settled")
    test, others = report["mixed"]["these photos"], report["mixed"]["train and val, out of fold"]
    cats, people = report["dog"], report["annotators"]["category_kappa"]
    return [
        *_beside_reference(report),
        f"Where it says *settled* ({settled['share']:.0%} of photos), wrong are {counted(settled, 'wrong')}.",
        f"Mixed coats called something else with confidence, the dangerous error: "
        f"{test['called_something_else_with_confidence']} of {test['photos']} on test, "
        f"{others['called_something_else_with_confidence']} of {others['photos']} out of fold; ruled out without "
        f"a word of a groomer: {test['ruled_out_without_hands']} and {others['ruled_out_without_hands']}. A photo "
        "alone recognises next to none: hands must.",
        _with_observed_answers(),
        f"With answers beside the photo, one in ten of them wrong, accuracy is "
        f"{with_interval(_answered(report, 'both'))}; with answers alone {with_interval(_answered(report, 'answers'))} "
        "(**simulated** answers; photo alone on the same dogs "
        f"{with_interval(report['simulated_answers']['photo']['accuracy'])}).",
        f"Cats given a coat: {cats['other_pictures_given_a_coat']['count']} of {cats['other_pictures']}.",
        "Two annotators, passes of one vision-language model, agree with each other at kappa "
        f"{people['first and second person']['value']:.2f}; the model agrees with each "
        f"at {people['model and first']['value']:.2f} and {people['model and second']['value']:.2f}.",
    ]


def _beside_reference(report: dict[str, Any]) -> Iterator[str]:
    """Paired differences from the reference: on the same photos, and where the reference does better."""
    part = next((part for part in report["extras"] if part["id"] == "beside_reference"), None)
    rows = {row[0]: row[1:] for row in part["rows"]} if part else {}
    if "test split: accuracy" in rows:
        photos, _, _, right = rows["test split: accuracy"]
        loss = rows["test split: log loss"][-1]
        told = " The interval of accuracy holds 0: this many photos don't tell the two apart by it."
        yield (
            f"Released minus reference on the {photos} photos that both judged, paired: accuracy {with_interval(right)}"
            f", log loss {with_interval(loss)} nats.{told if right['low'] <= 0 <= right['high'] else ''}"
        )
    strange = rows.get("out of fold, source new to network and members: log loss")
    if strange:
        _, ours, theirs, difference = strange
        worse = "worse than" if difference["low"] > 0 else "better than" if difference["high"] < 0 else "no other than"
        yield (
            "On photos of a source that nothing in it was fitted on, its probabilities are "
            f"{worse} the reference's: log loss {ours['value']:.3f} against {theirs['value']:.3f}, difference "
            f"{with_interval(difference)} (out of fold)."
        )


def _with_observed_answers() -> str:
    """What three visible answers add to the photo, as ``training ensemble`` measured it out of fold."""
    worth = json.loads((ROOT / "models" / "answers.json").read_text(encoding="utf-8"))["worth"]

    def accuracy(breeds: str, way: str) -> str:
        row = next(row for row in worth if row["breeds"] == breeds and row["coats"] == "all" and way in row["way"])
        value, low, high = row["accuracy"]
        return with_interval({"value": value, "low": low, "high": high})

    alone, beside = "photo alone", "stated rows, fitted exponent (released)"
    return (
        "With three **observed** answers beside the photo (curl, lie, beard and brows, read from the picture by a "
        "model, not by owners), out of fold: accuracy "
        f"{accuracy('known_breeds', beside)} on breeds of training "
        f"(photo alone {accuracy('known_breeds', alone)}), {accuracy('unseen_breeds', beside)} on breeds never seen "
        f"(photo alone {accuracy('unseen_breeds', alone)})."
    )


def _answered(report: dict[str, Any], regime: str) -> dict[str, float]:
    rows = report["simulated_answers"]["rows"]
    figure: dict[str, float] = next(
        row["accuracy"] for row in rows if row["regime"] == regime and row["error_rate"] == _WRONG_ANSWERS
    )
    return figure


def quote(report: dict[str, Any], *files: Path) -> None:
    """Put the figures between the marks of each file.

    Raises:
        ValueError: if a file lacks the marks.
    """
    for path in files:
        put_between(path, BEGIN, END, f"\n{quoted(report)}\n")


def put_between(path: Path, begin: str, end: str, told: str) -> None:
    """Replace what stands between two marks of a file.

    Raises:
        ValueError: if the file lacks the marks.
    """
    before, _, rest = path.read_text(encoding="utf-8").partition(begin)
    _, found, after = rest.partition(end)
    if not found:
        raise ValueError(f"{path.name} lacks the marks {begin} and {end}")
    path.write_text(f"{before}{begin}{told}{end}{after}", encoding="utf-8")
