"""The plots of the report as SVG text; matplotlib is imported here and nowhere else."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from io import StringIO
from typing import Any

from coatclass.errors import MissingExtraError
from coatclass.reports.evaluation.figures import Wording
from coatclass.reports.evaluation.metrics import Figure, binomial_interval
from coatclass.taxonomy import BANDS

__all__ = [
    "bars_with_intervals",
    "confusion_plot",
    "coverage_plot",
    "reliability_plot",
    "risk_coverage_plot",
    "robustness_plot",
    "roc_plot",
    "sweep_plot",
    "worth_plot",
]

# Okabe and Ito's colours (2008), told apart by colour-blind readers; markers differ too, so grey print works.
INK, BLUE, ORANGE, GREEN, RED, GREY = "#222222", "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#999999"
_MARKERS = ("o", "s", "^", "D", "v", "P")


def _draw(wording: Wording, paint: Callable[[Any], None], width: float = 4.6, height: float = 3.4) -> str:
    try:
        import matplotlib
    except ImportError as error:
        raise MissingExtraError("The evaluation report", "evaluate") from error
    from matplotlib.figure import Figure as Canvas

    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "coatclass",
        "font.size": 9,
        "font.family": "sans-serif",
    }
    with matplotlib.rc_context(settings):
        canvas = Canvas(figsize=(width, height), layout="constrained")
        axis = canvas.subplots()
        axis.spines[["top", "right"]].set_visible(False)
        paint(axis)
        _write_numbers(axis, wording.decimal)
        out = StringIO()
        canvas.savefig(out, format="svg", metadata={"Date": None})
    svg = out.getvalue()
    return svg[svg.index("<svg") :]


def _write_numbers(axis: Any, decimal: str) -> None:
    """Use the language's decimal sign for ticks; tick labels that are names stay."""
    from matplotlib.ticker import ScalarFormatter

    class Written(ScalarFormatter):
        def __call__(self, x: Any, pos: Any = None) -> str:
            return str(super().__call__(x, pos)).replace(".", decimal)

    for side in (axis.xaxis, axis.yaxis):
        if decimal != "." and isinstance(side.get_major_formatter(), ScalarFormatter):
            side.set_major_formatter(Written())


def reliability_plot(wording: Wording, bins: Sequence[tuple[float, float, int]], what: str) -> str:
    """Share right against sureness, by bins, with exact intervals; the size of a dot follows the number of cases."""

    def paint(axis: Any) -> None:
        axis.plot([0, 1], [0, 1], color=GREY, linewidth=1, linestyle="--")
        most = max(count for _, _, count in bins)
        sizes = [12 + 120 * count / most for _, _, count in bins]
        axis.plot([mean for mean, _, _ in bins], [share for _, share, _ in bins], color=BLUE, linewidth=1)
        for mean, share, count in bins:
            low, high = binomial_interval(round(share * count), int(count))
            axis.plot([mean, mean], [low, high], color=BLUE, linewidth=1, alpha=0.4)
        axis.scatter([mean for mean, _, _ in bins], [share for _, share, _ in bins], s=sizes, color=BLUE, clip_on=False)
        axis.set(
            xlabel=wording.plot(f"sure_{what}"), ylabel=wording.plot("share_right"), xlim=(0, 1.02), ylim=(0, 1.02)
        )

    return _draw(wording, paint)


def risk_coverage_plot(wording: Wording, curve: Mapping[str, Sequence[float]]) -> str:
    """Share wrong among the surest photos, as more of them are answered."""

    def paint(axis: Any) -> None:
        axis.plot(curve["coverage"], curve["risk"], color=BLUE, clip_on=False)
        for risk in (0.02, 0.05):
            axis.axhline(risk, color=GREY, linewidth=0.8, linestyle="--")
            axis.text(0.01, risk, wording.percent(risk), va="bottom", color=GREY)
        axis.set(xlabel=wording.plot("answered"), ylabel=wording.plot("wrong"), xlim=(0, 1), ylim=(0, None))

    return _draw(wording, paint)


def roc_plot(wording: Wording, roc: Mapping[str, Sequence[float]]) -> str:
    """Dogs recognised against other pictures taken for dogs."""

    def paint(axis: Any) -> None:
        axis.plot(roc["false_alarms"], roc["detected"], color=BLUE, drawstyle="steps-post")
        axis.plot([0, 1], [0, 1], color=GREY, linewidth=1, linestyle="--")
        axis.set(
            xlabel=wording.plot("false_alarms"),
            ylabel=wording.plot("detected"),
            xlim=(-0.01, 1.01),
            ylim=(0, 1.01),
        )

    return _draw(wording, paint)


def confusion_plot(wording: Wording, counts: Sequence[Sequence[float]], words: Sequence[str]) -> str:
    """Counts by truth and by what was said; darkness is the share of the row."""

    def paint(axis: Any) -> None:
        shares = [[cell / (sum(row) or 1) for cell in row] for row in counts]
        axis.imshow(shares, cmap="Blues", vmin=0, vmax=1)
        for y, row in enumerate(counts):
            for x, cell in enumerate(row):
                if cell:
                    colour = "white" if shares[y][x] > 0.55 else INK
                    axis.text(x, y, f"{cell:.0f}", ha="center", va="center", color=colour, fontsize=8)
        axis.set_xticks(range(len(words)), [wording.spoken(word) for word in words], rotation=45, ha="right")
        axis.set_yticks(range(len(words)), [wording.spoken(word) for word in words])
        axis.set(xlabel=wording.plot("said"), ylabel=wording.plot("label"))

    return _draw(wording, paint, height=4.2 if len(words) > len(BANDS) else 3.4)


def coverage_plot(wording: Wording, rows: Sequence[Mapping[str, Any]], promise: float) -> str:
    """Coverage of the prediction sets by class, with exact intervals and the promise."""

    def paint(axis: Any) -> None:
        names = [f"{wording.spoken(row['class'])} ({row['n']})" for row in rows]
        for place, row in enumerate(rows):
            axis.plot(row["interval"], [place, place], color=BLUE, linewidth=2)
            axis.plot(row["coverage"], place, "o", color=BLUE)
        axis.axvline(promise, color=ORANGE, linestyle="--", linewidth=1)
        axis.set_yticks(range(len(rows)), names)
        axis.invert_yaxis()
        axis.set(xlabel=wording.plot("holds"), xlim=(0, 1.02))

    return _draw(wording, paint)


def bars_with_intervals(
    wording: Wording, rows: Sequence[tuple[str, Figure]], xlabel: str, overall: float | None = None
) -> str:
    """One dot and interval a row, for shares up to 1."""

    def paint(axis: Any) -> None:
        for place, (_, figure) in enumerate(rows):
            axis.plot([figure.low, figure.high], [place, place], color=BLUE, linewidth=2)
            axis.plot(figure.value, place, "o", color=BLUE)
        if overall is not None:
            axis.axvline(overall, color=GREY, linestyle="--", linewidth=1)
        axis.set_yticks(range(len(rows)), [f"{name} ({figure.n})" for name, figure in rows])
        axis.invert_yaxis()
        axis.set(xlabel=xlabel, xlim=(None, 1.02))

    return _draw(wording, paint, width=9.6, height=0.6 + 0.3 * len(rows))


def sweep_plot(wording: Wording, sweep: Mapping[str, Any], figure: str) -> str:
    """A figure against the share of wrong answers, for answers alone and with the photo."""

    def paint(axis: Any) -> None:
        for regime, colour, marker in (("answers", ORANGE, "s"), ("both", BLUE, "o")):
            rows = [row for row in sweep["rows"] if row["regime"] == regime]
            rates = [row["error_rate"] for row in rows]
            axis.fill_between(
                rates, [row[figure].low for row in rows], [row[figure].high for row in rows], color=colour, alpha=0.15
            )
            axis.plot(
                rates,
                [row[figure].value for row in rows],
                color=colour,
                marker=marker,
                label=wording.say(f"regime.{regime}"),
            )
        axis.axhline(
            sweep["photo"][figure].value, color=INK, linestyle="--", linewidth=1, label=wording.say("regime.photo")
        )
        axis.legend(frameon=False)
        axis.set(xlabel=wording.plot("wrong_answers"), ylabel=wording.plot(figure))

    return _draw(wording, paint)


def worth_plot(wording: Wording, worth: Mapping[str, Any]) -> str:
    """What each simulated answer alone adds to the photo."""

    def paint(axis: Any) -> None:
        rows = worth["rows"]
        places = range(len(rows))
        axis.barh(
            [y - 0.2 for y in places],
            [row["category_gain"] for row in rows],
            0.38,
            color=BLUE,
            label=wording.plot("category"),
        )
        axis.barh(
            [y + 0.2 for y in places],
            [row["band_gain"] for row in rows],
            0.38,
            color=ORANGE,
            label=wording.plot("band"),
        )
        axis.set_yticks(places, [wording.spoken(row["question"]) for row in rows])
        axis.invert_yaxis()
        axis.axvline(0, color=INK, linewidth=0.8)
        axis.legend(frameon=False)
        axis.set(xlabel=wording.plot("saved"))

    return _draw(wording, paint, width=6.4, height=0.8 + 0.34 * len(worth["rows"]))


def robustness_plot(wording: Wording, section: Mapping[str, Any], *, dangerous: bool = False) -> str:
    """Accuracy, or how many photos are settled but wrong, by severity."""

    def height(row: Mapping[str, Any]) -> float:
        return float(row["settled_wrong" if dangerous else "accuracy"])

    def paint(axis: Any) -> None:
        colours = (BLUE, ORANGE, GREEN, RED, GREY, INK)
        for (kind, curve), colour, marker in zip(section["curves"].items(), colours, _MARKERS, strict=False):
            rows = [row for row in curve["rows"] if "accuracy" in row]
            severity = [row["severity"] for row in rows]
            axis.plot(
                severity, list(map(height, rows)), color=colour, marker=marker, label=wording.told(kind), markersize=4
            )
        axis.legend(frameon=False, fontsize=8)
        axis.set(xlabel=wording.plot("severity"), xticks=range(6))
        if dangerous:
            axis.yaxis.get_major_locator().set_params(integer=True)
            axis.set(ylabel=wording.plot("settled_wrong"), ylim=(0, None))
        else:
            axis.set(ylabel=wording.plot("accuracy_where"), ylim=(0, 1.02))

    return _draw(wording, paint)
