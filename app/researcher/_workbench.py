"""The researcher's workbench: one photo tried, or a table with photos or scores evaluated, in gradio's own controls.

What is uploaded is taken out of gradio's folder at once: a photo is read and forgotten, a table and its photos lie in a
folder of the visit's own, which goes with it.
"""

from __future__ import annotations

import shutil
from base64 import b64encode
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from io import BytesIO
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import gradio as gr
from fastapi import FastAPI
from PIL import Image

from app import accounts, guard
from app.design import blocks, mount
from app.looking import look_at, overlay
from coatclass import photo
from coatclass.assessing import assess_readings
from coatclass.contract import Assessment
from coatclass.errors import InputError, PhotoError
from coatclass.reports import evaluation
from coatclass.reports.evaluation.figures import label, tables
from coatclass.reports.evaluation.report import refused_photos
from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.words import catalogue

_SHOWN_PX = 640
_KEPT_S = 3600
_MOST_FILES = 500
_MOST_REFUSED = 20  # photos named above the figures
_OTHER = "other-run"  # folder of the table to compare with
_PREDICTED = ("file", "truth", "category", "probability", "category_set", "length_band", "verdict", "status")


def workbench(state: Any) -> FastAPI:
    """It stands under ``/workbench``; the guard lets only researchers and groomers through, and each handler asks.

    Args:
        state: of the app around it: settings and records.
    """

    def ask(request: gr.Request) -> None:
        cookies = request.request.cookies if request.request else {}  # nobody's: refused
        accounts.require(state.records, dict(cookies), *accounts.RESEARCHERS)

    with blocks("coatclass: workbench", delete_cache=(_KEPT_S, _KEPT_S)) as page:
        _evaluating(ask)
    with page.route("Try a photo", "/try"):
        _trying(ask)
    limits = state.settings.limits
    most = limits["upload"]["body_bytes"]
    return mount(FastAPI(openapi_url=None), page, guard.PAGES[0], max_file_size=most, queue=limits["workbench"])


# --- a table and its photos -------------------------------------------------------------------------------------------


def _evaluating(ask: Any) -> None:
    gr.components.Navbar(main_page_name="Workbench")
    gr.Markdown(
        "# Workbench\nEvaluate the released program on labelled photos of your own, or photos that were scored "
        "already. Nothing leaves this machine; what you upload is deleted after an hour. "
        "[Try one photo](/workbench/try) · [Back to the researcher's page](/researcher/)"
    )
    bag = gr.State(None, time_to_live=_KEPT_S, delete_callback=_drop)
    with gr.Row():
        with gr.Column():
            given = gr.File(label="A table (CSV) and its photos, at once or one after the other", file_count="multiple")
            run = gr.File(label="Another run of the same photos to compare with (CSV of scores)", file_count="single")
            with gr.Accordion("What the table must look like", open=False):
                gr.Markdown(_columns())
        with gr.Column():
            files = gr.Dataframe(
                headers=["file", "kB"], label="Here so far", interactive=False, column_widths=["80%", "20%"]
            )
    with gr.Row():
        start = gr.Button("Evaluate", variant="primary")
        clear = gr.Button("Remove everything")
    said = gr.Markdown()
    with gr.Row():
        figures = gr.Dataframe(
            headers=["figure", "value", "from", "to", "photos"],
            label="Figures with 95 % intervals",
            interactive=False,
            wrap=True,
            column_widths=["40%", "15%", "15%", "15%", "15%"],
        )
        plot = gr.BarPlot(x="category", y="recall", y_lim=[0, 1], label="Recall by category", height=320)
    differences = gr.Dataframe(
        headers=["figure", "this run", "other run", "difference", "from", "to"],
        label="This run less the other, with paired 95 % intervals",
        interactive=False,
        visible=False,
    )
    predictions = gr.Dataframe(headers=list(_PREDICTED), label="Each photo", interactive=False, wrap=True,
                               column_widths=["24%", "9%", "10%", "12%", "15%", "13%", "9%", "8%"])  # fmt: skip
    report = gr.HTML(label="Report", padding=False)

    _taking(ask, given, run, bag, files)

    def evaluate(kept: Path | None, request: gr.Request, progress: Any = gr.Progress()) -> Iterator[tuple[Any, ...]]:  # noqa: B008  gradio's way to ask for it
        ask(request)
        try:
            cases, html, comparison = _evaluated(_table_of(kept), _other_of(kept), progress)
        except InputError as error:
            yield _refused(error), None, None, gr.Dataframe(visible=False), None, ""
            return
        between = gr.Dataframe(_between(comparison), visible=bool(comparison))
        yield _summary(cases, comparison), _figures(cases), _recall(cases), between, _predicted(cases), html

    def empty(kept: Path | None, request: gr.Request) -> tuple[Any, ...]:
        ask(request)
        _drop(kept)
        return None, [], "", None, None, gr.Dataframe(visible=False), None, ""

    private: dict[str, Any] = {"api_visibility": "private"}
    shown = [said, figures, plot, differences, predictions, report]
    start.click(evaluate, [bag], shown, concurrency_limit=1, **private)
    clear.click(empty, [bag], [bag, files, *shown], **private)


def _taking(ask: Any, given: Any, run: Any, bag: Any, files: Any) -> None:
    """Take what is uploaded out of gradio's folder: a table with its photos, and another run."""

    def take(paths: list[str] | None, kept: Path | None, request: gr.Request) -> tuple[Any, ...]:
        ask(request)
        folder = kept or Path(mkdtemp(prefix="coatclass-bench-"))
        for path in map(Path, paths or ()):
            if len(list(folder.iterdir())) < _MOST_FILES:
                shutil.move(path, folder / path.name)
            path.unlink(missing_ok=True)
        return folder, _listed(folder), None

    def take_run(path: str | None, kept: Path | None, request: gr.Request) -> tuple[Any, ...]:
        ask(request)
        folder = kept or Path(mkdtemp(prefix="coatclass-bench-"))
        if path is not None:
            _drop(folder / _OTHER)
            (folder / _OTHER).mkdir()
            shutil.move(path, folder / _OTHER / Path(path).name)
        return folder, _listed(folder), None

    given.upload(take, [given, bag], [bag, files, given], concurrency_limit=2, api_visibility="private")
    run.upload(take_run, [run, bag], [bag, files, run], concurrency_limit=2, api_visibility="private")


def _refused(error: InputError) -> str:
    """What is wrong with which file; where files lie on this machine is nobody's business."""
    next_step = error.next_step
    if error.code == "no_such_photo":
        next_step = "Upload these photos as well, or take their rows out. Names stand without folders here."
    return f"**{escape(Path(error.source).name)} {escape(error.problem)}** {escape(next_step)}"


def _summary(cases: evaluation.LabelledPhotos, comparison: Mapping[str, Any]) -> str:
    """How many photos count, on how many two runs are compared, and which photos were refused and why."""
    out = refused_photos(cases)
    said = f"Done: {len(cases.judged)} of {len(cases)} photos are judged."
    if comparison:
        said += (
            f" The comparison with {escape(comparison['against'])} is on the {comparison['photos']} that both runs "
            f"judged ({comparison['only_here']} are judged here alone), so its figures may differ from those above it."
        )
    if not out:
        return said
    named = [": ".join(filter(None, (one["file"], one["reason"]))) for one in out[:_MOST_REFUSED]]
    lines = "".join(f"\n- {escape(one)}" for one in named)
    return f"{said} {len(out)} were refused; the report tells of each:\n{lines}"


def _columns() -> str:
    rows = "".join(f"\n| `{name}` | {meaning} |" for name, meaning in evaluation.column_meanings().items())
    return (
        f"With photos, one row a photo (UTF-8):\n\n| column | meaning |\n|---|---|{rows}\n\n"
        "Scored already: the table that `coatclass score` writes, with a column `truth` (the category) added, and if "
        "you have them `truth_band` and `group`. Then no photos are needed.\n\n"
        "Photos lie here without folders: write `rex.jpg`, not `photos/rex.jpg`.\n\n"
        "Another run: the predictions.csv of an earlier evaluation, or a table of `coatclass score`; it needs no "
        "labels. Photos are matched by `file`."
    )


def _drop(folder: Path | None) -> None:
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)


def _listed(folder: Path) -> list[list[Any]]:
    here = [[path.name, _kb(path)] for path in sorted(folder.iterdir()) if path.is_file()]
    return here + [[f"{path.name} (other run)", _kb(path)] for path in sorted((folder / _OTHER).glob("*"))]


def _kb(path: Path) -> int:
    return round(path.stat().st_size / 1000)


def _table_of(folder: Path | None) -> Path:
    tables = sorted(folder.glob("*.csv")) if folder is not None and folder.is_dir() else []
    if len(tables) != 1:
        problem = f"There are {len(tables)} tables here." if tables else "There is no table here yet."
        raise InputError("the table", problem, "Upload one CSV file; remove everything to begin anew.")
    return tables[0]


def _other_of(folder: Path | None) -> Path | None:
    """The other run's table, if there is one.

    Raises:
        InputError: if it is none of scores.
    """
    found = next(iter((folder / _OTHER).glob("*")), None) if folder is not None else None
    if found is not None and not evaluation.is_table_of_scores(found):
        problem = f"{found.name} is no table of scores, so there is nothing to compare with."
        raise InputError("the other run", problem, "Take a predictions.csv, or what `coatclass score` wrote.")
    return found


def _evaluated(
    table: Path, other: Path | None, progress: Any
) -> tuple[evaluation.LabelledPhotos, str, Mapping[str, Any]]:
    """The cases with what the program says of each, the report as a frame of its own, and how two runs differ."""
    scored = evaluation.is_scored(table)
    if scored:
        cases = evaluation.read_scored(table)
    else:
        cases = evaluation.read_table(table)
        done = 0

        def advance() -> None:
            nonlocal done
            done += 1
            progress((done, len(cases)), desc="Looking at photos", unit="photos")

        cases = evaluation.with_decisions(evaluation.look_at(cases, advance))
    evaluation.check_enough(cases, table)
    progress(None, desc="Writing the report")
    made = evaluation.build_report(cases, f"coatclass on {table.name}", simulate=False)
    out = table.parent / "report"
    try:
        predictions = table
        if not scored:
            evaluation.write_predictions(cases, out)
            predictions = out / evaluation.PREDICTIONS
        comparison = evaluation.compare(predictions, other) if other else {}
        evaluation.write_report({**made, **({"comparison": comparison} if comparison else {})}, cases, out)
        pages = {name: (out / name).read_bytes() for name in ("evaluation.html", "evaluation.json")}
        pages[evaluation.PREDICTIONS] = predictions.read_bytes()
    finally:
        shutil.rmtree(out, ignore_errors=True)
    frame = f'<iframe title="Report" sandbox srcdoc="{escape(pages["evaluation.html"].decode())}"></iframe>'
    links = " ".join(_download(name, content) for name, content in pages.items())
    return cases, f'<p class="downloads">{links}</p><div class="report">{frame}</div>', comparison


def _download(name: str, content: bytes) -> str:
    kind = {"html": "text/html", "json": "application/json", "csv": "text/csv"}[name.rpartition(".")[2]]
    return f'<a download="{name}" href="data:{kind};base64,{b64encode(content).decode()}">Download {name}</a>'


def _figures(cases: evaluation.LabelledPhotos) -> list[list[Any]]:
    return [
        [f"{part}: {label(name)}", round(one.value, 3), round(one.low, 3), round(one.high, 3), one.n]
        for part, rows in tables(cases, resamples=300).items()
        for name, one in rows.items()
    ]


def _between(comparison: Mapping[str, Any]) -> list[list[Any]]:
    """Each figure of both runs and their difference, as the report tells it."""
    return [
        [f"{part}: {label(name)}", *(round(value, 3) for value in values)]
        for part, rows in comparison.get("figures", {}).items()
        for name, of in rows.items()
        for values in [(of["here"].value, of["there"].value, *_interval(of["difference"]))]
    ]


def _interval(figure: evaluation.Figure) -> tuple[float, float, float]:
    return figure.value, figure.low, figure.high


def _recall(cases: evaluation.LabelledPhotos) -> Any:
    import pandas as pd

    judged = cases.judged
    best = judged.p_category.argmax(axis=1)
    rows = [
        (category, float((best[judged.truth == place] == place).mean()))
        for place, category in enumerate(CATEGORIES)
        if (judged.truth == place).any()
    ]
    return pd.DataFrame(rows, columns=["category", "recall"])


def _predicted(cases: evaluation.LabelledPhotos) -> list[list[Any]]:
    rows: list[list[Any]] = []
    for case in cases.rows:
        truth = CATEGORIES[case.category] if case.category != evaluation.UNKNOWN else ""
        status = str(case.report.status) if case.report else ""
        if case.estimate is None or case.decision is None:
            verdict = str(case.decision.verdict) if case.decision else ""
            rows.append([case.file, truth, "", None, "", "", verdict, status])
            continue
        share = case.estimate.category
        best, band = share.index(max(share)), case.estimate.band.index(max(case.estimate.band))
        sets = " ".join(case.decision.categories)
        said = [CATEGORIES[best], round(share[best], 3), sets, BANDS[band], str(case.decision.verdict)]
        rows.append([case.file, truth, *said, status])
    return rows


# --- one photo --------------------------------------------------------------------------------------------------------


def _trying(ask: Any) -> None:
    gr.Markdown(
        "# Try a photo\nWhat the program makes of one photo without any answers. The photo is read, shown here and "
        "forgotten. [Workbench](/workbench/) · [Back to the researcher's page](/researcher/)"
    )
    with gr.Row():
        with gr.Column():
            given = gr.File(label="A photo of one dog (JPEG, PNG, WebP or HEIC)", file_count="single")
            picture = gr.HTML(label="What was looked at", padding=False)
        with gr.Column():
            verdict = gr.Markdown()
            coat = gr.Label(label="Coat", num_top_classes=len(CATEGORIES))
            band = gr.Label(label="Length", num_top_classes=len(BANDS))

    def look(path: str | None, request: gr.Request, progress: Any = gr.Progress()) -> tuple[Any, ...]:  # noqa: B008
        ask(request)
        if path is None:
            return None, "", "", None, None
        content = _taken(Path(path))
        progress(None, desc="Looking at the photo")
        return None, *_looked(content)

    given.upload(look, [given], [given, picture, verdict, coat, band], concurrency_limit=1, api_visibility="private")


def _taken(path: Path) -> bytes:
    """An uploaded file's content; the file is gone."""
    try:
        return path.read_bytes()
    finally:
        path.unlink(missing_ok=True)


def _looked(content: bytes) -> tuple[str, str, Any, Any]:
    """Picture, verdict and probabilities of coat and length."""
    try:
        looked = look_at(content, "photo")
        image = photo.load(content).image
    except PhotoError as error:
        return "", f"**{escape(error.problem)}** {escape(error.next_step)}", None, None
    assessment = assess_readings([looked.reading("photo")])
    words = catalogue()
    coats = assessment.category and {
        words.title(words.coat(c)): p for c, p in assessment.category.probabilities.items()
    }
    bands = assessment.length_band and {words.band(b): p for b, p in assessment.length_band.probabilities.items()}
    return _shown(image, looked.mask), _verdict(assessment), coats, bands


def _shown(image: Image.Image, mask: Any) -> str:
    """The photo, and over it what the image model left out."""
    small = image.convert("RGB")
    small.thumbnail((_SHOWN_PX, _SHOWN_PX))
    stream = BytesIO()
    small.save(stream, "JPEG", quality=85)
    over = _layer("image/png", overlay(mask, small.size), "What was looked at")
    return f'<div class="seen">{_layer("image/jpeg", stream.getvalue(), "The photo")}{over}</div>'


def _layer(kind: str, content: bytes, says: str) -> str:
    return f'<img alt="{says}" src="data:{kind};base64,{b64encode(content).decode()}">'


def _verdict(assessment: Assessment) -> str:
    said = [f"## {catalogue().title(assessment.verdict.replace('_', ' '))}"]
    said += [f"- {reason.text}" for reason in (*assessment.reasons, *_photo_reasons(assessment))]
    if assessment.next_question is not None:
        question = assessment.next_question
        said += ["", f"**The next question worth asking:** {question.text} {question.help}"]
    return "\n".join(said)


def _photo_reasons(assessment: Assessment) -> Sequence[Any]:
    return [reason for report in assessment.photos for reason in report.reasons]
