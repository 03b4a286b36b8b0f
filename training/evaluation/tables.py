"""The figures for people: ``METRICS.md``, and what README and model card quote between two marks, never by hand."""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Iterator, Sequence
from math import log
from pathlib import Path
from typing import Any

from coatclass.reports.evaluation import binomial_interval
from coatclass.reports.evaluation.figures import FIGURES, label, shown_table
from coatclass.taxonomy import BANDS, CATEGORIES
from training.places import ROOT, aims

__all__ = [
    "BEGIN",
    "END",
    "Reading",
    "beside_aim",
    "counted",
    "figure_rows",
    "interval",
    "number",
    "put_between",
    "quote",
    "quoted",
    "summary",
    "table",
    "value",
    "with_interval",
]

Reading = dict[str, float] | None  # a figure with its interval, if it was measured
_PARTS = {"category": "category", "band": "length band"}
_MIXED = (
    ("called_something_else_with_confidence", "interval"),
    ("ruled_out_without_hands", "ruled_out_interval"),
    ("sent_to_a_groomer", "sent_interval"),
)

_AGAINST = {
    "log_loss_against_annotators": "Log loss against both",
    "brier_against_annotators": "Brier score against both",
}


def summary(report: dict[str, Any]) -> str:
    """Markdown of the main figures; intervals are 95 %, over groups."""
    made, data = report["made_by"], report["data"]
    lines = [
        "# Metrics of the release",
        "",
        f"Written by `python -m training evaluate` for image model `{made['image_model']}` and ensemble "
        f"`{made['ensemble']}`, on {data['dogs']} test photos of {data['groups']} dogs and {data['other_pictures']} "
        f"pictures of cats; {data['refused']} further test photos were refused and are not counted (the reference "
        "counts all). Photo alone. In brackets: 95 % interval, bootstrap over dogs, or exact (Clopper and Pearson) "
        "where a count of photos is given. Log loss is in nats throughout. Answered at 2 % error: the largest share of "
        "photos, surest first, of which at most 2 % are wrong; the limit is found on the photos themselves, so that "
        "one set beforehand is apt to do less well. Resampling repeats photos, which makes calibration errors (ECE) "
        "larger: their intervals lie high. All figures: `metrics.json`.",
    ]
    sections = (
        _main, _dog, _classes, _confusion, _verdicts, _sets, _settled, _mixed, _people, _split, _subgroups, _robust,
        _extras, _answers, _worth,
    )  # fmt: skip
    for section in sections:
        if told := section(report):
            lines += ["", *told]
    return "\n".join(lines).rstrip() + "\n"


def _main(report: dict[str, Any]) -> list[str]:
    lines = table(("Figure", "Released", "Reference (frozen features)", "Aim", "Short by"), figure_rows(report))
    lines.append("")
    lines.append(
        "The photos' own README reports for the same recipe, with another regularisation: accuracy 0.912, macro-F1 "
        "0.708 (0.826 without *mixed*), log loss 0.253, ECE 0.034, 74 % answered at 2 % error, "
        "band 0.871 and kappa 0.926."
    )
    return lines


def figure_rows(report: dict[str, Any], only: Container[tuple[str, str]] = FIGURES) -> list[tuple[str, ...]]:
    """Name, release, reference, aim and shortfall of each main figure, or of some of them."""
    reference = report.get("reference", {}).get("figures", {})
    return [
        (f"{_PARTS[part]}: {label(name)}", *beside_aim(ours, reference.get(part, {}).get(name), part, name))
        for part, name in FIGURES
        if (part, name) in only
        for ours in [report["photo"][part][name]]
    ]


def beside_aim(ours: Reading, theirs: Reading, part: str, name: str) -> tuple[str, str, str, str]:
    """A figure, the reference's, what was hoped for, and how far it is from that; empty where there is none."""
    aim = aims().get(part, {}).get(name)
    told = with_interval(ours), with_interval(theirs)
    if aim is None or ours is None:
        return *told, "", ""
    return *told, f"{aim:.3g}", f"{aim - ours['value']:.3f}" if ours["value"] < aim else "reached"


def _dog(report: dict[str, Any]) -> list[str]:
    dog = report.get("dog")
    if not dog:
        return []
    given = dog["other_pictures_given_a_coat"]
    rows = [
        ("Area under ROC", with_interval(dog["figures"]["area_under_roc"])),
        ("Cats given a coat", counted(given | {"n": dog["other_pictures"]}, "count")),
    ]
    return table(("Dog or cat", ""), rows)


def _classes(report: dict[str, Any]) -> list[str]:
    rows = [
        (
            row["class"],
            counted(row, "right", "precision_interval", "said"),
            counted(row, "right", "recall_interval", "labelled"),
            number(row["f1"]),
        )
        for of in report["classes"].values()
        for row in of
    ]
    return table(("Class", "Precision: right of those said", "Recall: right of those labelled", "F1"), rows)


def _confusion(report: dict[str, Any]) -> list[str]:
    lines = []
    for what, words in (("category", CATEGORIES), ("band", BANDS)):
        if counts := report["confusion"].get(what):
            rows = [(str(word), *(f"{n:.0f}" for n in row)) for word, row in zip(words, counts, strict=True)]
            lines += ["", *table((f"Label of the {what}, by what was said", *map(str, words)), rows)]
    return lines[1:]


def _verdicts(report: dict[str, Any]) -> list[str]:
    rows = [(row["verdict"], number(row["share"]), counted(row, "wrong")) for row in report["verdicts"]]
    return table(("Verdict, photo alone", "Share of photos", "First choice wrong"), rows)


def _sets(report: dict[str, Any]) -> list[str]:
    rows = [
        (
            f"{what}: {row['class']}",
            str(row["n"]),
            f"{number(row['coverage'])} {interval(row['interval'])}",
            f"{row['mean_size']:.2f}",
            f"{row['single']:.0%}",
        )
        for what, of in report["sets"].items()
        for row in of
    ]
    promised = f"{report['promise']['set_reliability']:.0%}"
    head = ("Prediction sets", "Photos", f"Coverage ({promised} promised over all)", "Mean size", "Hold one")
    return table(head, rows)


def _settled(report: dict[str, Any]) -> list[str]:
    settled = report["settled"]
    said = (
        f"At most {settled['promised_wrong_at_most']:.0%} of settled coats should be wrong, on average over dogs; for "
        "one coat or one source it can be more:"
    )
    named = (("said", settled["by_said"]), ("source", settled["by_source"]))
    rows = [(f"{kind}: {row['name']}", counted(row, "wrong")) for kind, of in named for row in of]
    return [said, "", *table(("Settled", "Wrong"), rows)]


def _mixed(report: dict[str, Any]) -> list[str]:
    said = (
        "Mixed coats settled as something else are the dangerous error; ruled out without hands is the same in the "
        "wider sense: settled or narrowed to other coats, so that nobody is told to have the dog touched."
    )
    rows = [
        (name, *(counted(row, key, ends, "photos") for key, ends in _MIXED))
        for name, row in report["mixed"].items()
        if row["photos"]
    ]
    head = ("Mixed coats", "Settled as something else", "Ruled out without hands", "Sent to a groomer")
    return [said, "", *table(head, rows)]


def _people(report: dict[str, Any]) -> list[str]:
    rows = [
        (
            f"{row['confidence']:g}",
            str(row["n"]),
            *(with_interval(row[key]) for key in ("accuracy", "log_loss", *_AGAINST)),
        )
        for row in report.get("by_confidence", [])
    ]
    head = ("Less sure annotator's confidence", "Photos", "Accuracy", "Log loss", *_AGAINST.values())
    lines = table(head, rows)
    if people := report.get("annotators"):
        bands = people.get("band_quadratic_weighted_kappa", {})
        rows = [
            (pair, with_interval(figure), with_interval(bands.get(pair)))
            for pair, figure in people["category_kappa"].items()
        ]
        lines += ["", *table(("Agreement", "Category kappa", "Band quadratic-weighted kappa"), rows)]
    return lines


def _split(report: dict[str, Any]) -> list[str]:
    split = report.get("annotators", {}).get("where_annotators_split", {"n": 0})
    if not split["n"]:
        return []
    said = (
        f"Where the two annotators named different categories ({split['n']} photos), the first choice is one of the "
        f"two in {split['first_choice_is_one_of_the_two']:.0%}, and both together have probability "
        f"{number(split['probability_of_the_two_together'])} in the mean. Log loss against both is at best "
        f"{number(log(2))}."
    )
    rows = [
        (
            " / ".join(f"{label} ({p:.2f})" for label, p in zip(photo["labels"], photo["probabilities"], strict=True)),
            photo["said"],
            photo["verdict"],
            *(number(photo[key]) for key in ("log_loss", "brier")),
        )
        for photo in split["photos"]
    ]
    rows.append(("all", "", "", *(with_interval(split[key]) for key in _AGAINST)))
    return [said, "", *table(("The two labels (probability)", "Said", "Verdict", *_AGAINST.values()), rows)]


def _subgroups(report: dict[str, Any]) -> list[str]:
    rows = [
        (
            f"{row['kind']}: {row['name']}",
            str(row["n"]),
            *(with_interval(row[key]) for key in ("accuracy", "log_loss")),
            f"{row['settled']:.3f}",
            str(row["wrong_among_settled"]),
        )
        for row in report["subgroups"]
        if "accuracy" in row
    ]
    few = [f"{row['kind']}: {row['name']} ({row['n']})" for row in report["subgroups"] if "accuracy" not in row]
    lines = ["**Who is served worse.**", ""]
    lines += table(("Subgroup", "Photos", "Accuracy", "Log loss", "Share settled", "Settled and wrong"), rows)
    return lines + (["", f"Too few to judge: {'; '.join(few)}."] if few else [])


def _robust(report: dict[str, Any]) -> list[str]:
    section = report.get("robustness")
    if not section:
        return []
    lines = [
        f"**Worse pictures.** {section['n']} of the photos, short side {section['short_side_px']} px; "
        f"{len(section['curves'])} corruptions at five strengths (0: untouched), by the convention of Hendrycks and "
        "Dietterich 2019. Strengths and refusals: `metrics.json`."
    ]
    for title, show in (
        ("Accuracy where not refused, and of how many photos", _accuracy_at),
        ("Wrong among settled", _settled_at),
    ):
        rows = [(kind, *map(show, curve["rows"])) for kind, curve in section["curves"].items()]
        lines += ["", *table((title, *"012345"), rows)]
    return lines


def _accuracy_at(row: dict[str, Any]) -> str:
    if "accuracy" not in row:
        return "all refused"
    return f"{number(row['accuracy'])} of {row['answered']} {interval(row['accuracy_interval'])}"


def _settled_at(row: dict[str, Any]) -> str:
    if not row.get("settled_photos"):
        return "none settled"
    return f"{row['settled_wrong']} of {row['settled_photos']} {interval(row['settled_wrong_interval'], 2)}"


def _extras(report: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    for extra in report.get("extras", []):
        lines += [f"**{extra['title']}.** {extra['text']}", ""]
        head, rows = shown_table(extra)
        lines += [*table(head, ([value(shown) for shown in row] for row in rows)), ""]
    return lines[:-1]


def _answers(report: dict[str, Any]) -> list[str]:
    sweep = report.get("simulated_answers")
    if not sweep:
        return []
    lines = [
        "**Simulated answers.** No real answers exist yet; these are drawn from stated tables, for the "
        f"{sweep['n']} photos whose length is known. Each figure is the mean of {sweep['draws']} draws; in brackets "
        "its 95 % interval over dogs, after ± its spread over draws (standard deviation).",
        "",
        "| Wrong answers | Answers alone: accuracy | log loss | Photo and answers: accuracy | log loss |",
        "|---|---|---|---|---|",
    ]
    for rate in sorted({row["error_rate"] for row in sweep["rows"]}):
        by = {row["regime"]: row for row in sweep["rows"] if row["error_rate"] == rate}
        cells = [
            f"{with_interval(by[regime][name])} ± {number(by[regime]['spread'][name])}"
            for regime in ("answers", "both")
            for name in ("accuracy", "log_loss")
        ]
        lines.append(f"| {rate:.0%} (simulated) | " + " | ".join(cells) + " |")
    photo = sweep["photo"]
    lines.append(f"| photo alone | | | {with_interval(photo['accuracy'])} | {with_interval(photo['log_loss'])} |")
    return lines


def _worth(report: dict[str, Any]) -> list[str]:
    worth = report.get("simulated_question_worth")
    if not worth:
        return []
    keys = ("category_gain", "category_loss_without", "band_gain", "band_loss_without")
    rows = [(row["question"], *(f"{row[key]:+.4f}" if key in row else "" for key in keys)) for row in worth["rows"]]
    said = (
        f"**Each question's worth (simulated).** Nats of log loss, {worth['error_rate']:.0%} of the answers wrong, "
        f"{worth['n']} photos, one draw: saved when the answer is added alone to the photo, lost when it alone is left "
        "out of all answers. The measured length is compared with bands judged from the picture."
    )
    head = ("Question (simulated)", "Category: added", "Category: left out", "Band: added", "Band: left out")
    return [said, "", *table(head, rows)]


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """The lines of a table."""
    return [f"| {' | '.join(row)} |" for row in (head, ["---"] * len(head), *rows)]


def number(value: float | None, digits: int = 3) -> str:
    """A number with so many decimals, keeping the sign even of a rounded 0; empty for None."""
    return "" if value is None else f"{value:.{digits}f}"


def interval(ends: Sequence[float], digits: int = 3) -> str:
    """Low to high, in brackets; no dash beside a minus."""
    low, high = (number(end, digits) for end in ends)
    return f"({low}{' to ' if '-' in low + high else '–'}{high})"


def with_interval(figure: dict[str, float] | None) -> str:
    """A figure and its interval."""
    return f"{number(figure['value'])} {interval((figure['low'], figure['high']))}" if figure else ""


def counted(row: dict[str, Any], key: str, ends: str = "interval", of: str = "n") -> str:
    """A count, what it is of, its rate, and the exact interval of the rate."""
    n = row[of]
    return f"{row[key]} of {n}: {number(row[key] / n)} {interval(row[ends])}" if n else "0 of 0"


def value(shown: Any) -> str:
    """A figure, a number, or anything else."""
    if isinstance(shown, dict):
        return with_interval(shown)
    return number(shown) if isinstance(shown, float) else str(shown)


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
    annotators = report["annotators"]["category_kappa"]
    return [
        _in_plain_words(100 * report["photo"]["category"]["accuracy"]["value"], settled),
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
        f"(**simulated** answers, the mean of {report['simulated_answers']['draws']} draws; photo alone on the same "
        f"dogs {with_interval(report['simulated_answers']['photo']['accuracy'])}).",
        _after_three_answers(),
        *_not_dogs(report),
        "Two annotators, passes of one vision-language model, agree with each other at kappa "
        f"{annotators['first and second annotator']['value']:.2f}; the model agrees with each "
        f"at {annotators['model and first']['value']:.2f} and {annotators['model and second']['value']:.2f}.",
    ]


def _in_plain_words(right: float, settled: dict[str, Any]) -> str:
    """How good it is, for an owner."""
    figures = _released("votes.json")["figures"]
    known, strange, rare, rare_strange = (
        f"{100 * figures[name]['accuracy'][0]:.0f}"
        for name in ("dog never seen", "breed never seen", "dog never seen, rare coats", "breed never seen, rare coats")
    )
    return (
        f"In plain words: it names the coat rightly on {right:.0f} of 100 test photos; out of fold for {known} of 100 "
        f"dogs that it never saw, {strange} where it never saw the breed; and of coats that are rare among its photos "
        f"(hair, mixed, wire, curly, drop) for {rare} and {rare_strange}. The photos are clear ones of well-kept dogs. "
        f"It does not call every coat settled: {settled['share']:.0%} of the test photos; of these {settled['wrong']} "
        f"of {settled['n']} were wrong. Of the others it says what is possible, asks on, or sends the dog to a "
        "groomer's hands."
    )


def _after_three_answers() -> str:
    """Whether the set keeps the truth once three questions were answered on a strange breed, as the fit counted it."""
    row = _released("ensemble.json")["notes"]["settled"]["both"]["unseen_breeds, 3 observed"]
    other = row["on_other_dogs"]
    return (
        "After three observed answers on a breed never seen, the set of coats still possible holds the right one for "
        f"{row['covered'] / row['dogs']:.1%} of {row['dogs']} dogs, and for {other['covered'] / other['dogs']:.1%} of "
        f"{other['dogs']} that set no limit (promised: 95 %; out of fold)."
    )


def _not_dogs(report: dict[str, Any]) -> Iterator[str]:
    """Who passes for a dog, and which dogs do not."""
    found = _released("not_dogs.json")
    kinds = {row["kind"]: row for row in found["kinds"]}
    cats = kinds.pop("all cats")
    everything = kinds.pop("all")
    others = "; ".join(
        f"{kind} {row['refused']} of {row['pictures']}" for kind, row in kinds.items() if not kind.startswith("cats: ")
    )
    at = next(row for row in found["trade_off"] if row["limit"] == found["limits"]["refused_under"])
    data, refused = report["data"], report["data"]["refused"]
    dogs = data["dogs"] + refused
    low, high = binomial_interval(refused, dogs)
    yield (
        f"Not a dog: refused are {cats['refused']} of {cats['pictures']} cats; {others}. A settled coat got "
        f"{everything['settled']} of all {everything['pictures']}."
    )
    yield (
        f"Dogs refused as none: {refused} of {dogs} test photos: {refused / dogs:.3f} {interval((low, high))}; out of "
        f"fold, {at['dogs_under_dog']:.1%}, of breeds never seen "
        f"{at['dogs_under_breed']:.1%} (aim: 1 %)."
    )


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


def _released(name: str) -> dict[str, Any]:
    """Figures that another command wrote."""
    read: dict[str, Any] = json.loads((ROOT / "models" / name).read_text(encoding="utf-8"))
    return read


def _with_observed_answers() -> str:
    """What three visible answers add to the photo, as ``training ensemble`` measured it out of fold."""
    worth = _released("answers.json")["worth"]

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
