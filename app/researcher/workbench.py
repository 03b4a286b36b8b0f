"""The researcher's workbench: one photo tried, or a table with photos or scores evaluated, in gradio's own controls.

What is uploaded is taken out of gradio's folder at once: a photo is read and forgotten, a table and its photos lie in a
folder of the visit's own, which goes with it.
"""

from __future__ import annotations

import shutil
from base64 import b64encode
from collections.abc import AsyncIterator, Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from html import escape
from io import BytesIO
from pathlib import Path
from threading import Lock
from typing import Any

import gradio as gr
from fastapi import FastAPI
from PIL import Image
from starlette.types import Receive, Scope, Send

from app import accounts, guard
from app.language import spoken
from app.looking import look_at, overlay
from app.researcher.mounting import blocks, mount
from coatclass import photo, reasons
from coatclass.answers import question
from coatclass.assessing import assess_readings
from coatclass.contract import Assessment
from coatclass.errors import InputError, PhotoError
from coatclass.reports import evaluation
from coatclass.reports.evaluation.figures import Wording, tables, wording
from coatclass.reports.evaluation.report import refused_photos
from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.words import Catalogue, catalogue, in_language

_SHOWN_PX = 640
_KEPT_S = 3600
_MOST_FILES = 500
_MOST_REFUSED = 20  # photos named above the figures
_OTHER = "other-run"  # folder of the table to compare with
_PREDICTED = ("file", "truth", "category", "probability", "category_set", "length_band", "verdict", "status")


def workbench(state: Any, languages: Collection[str]) -> FastAPI:
    """It stands under ``/workbench``; the guard lets only researchers and groomers through, and each handler asks.

    One in each language, since the framework keeps what a page says; whoever changes the language begins anew.

    Args:
        state: of the app around it: settings, records, and folders for what passes through.
    """
    turn = Lock()  # one evaluation at a time over all languages: two would share the cores and hold two tables
    benches = {language: _in_one_language(state, language, turn) for language in languages}

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        async with AsyncExitStack() as lives:
            for bench in benches.values():
                await lives.enter_async_context(bench.router.lifespan_context(bench))
            yield

    async def readers(scope: Scope, receive: Receive, send: Send) -> None:
        await benches[spoken()](scope, receive, send)

    whole = FastAPI(openapi_url=None, lifespan=life)
    whole.mount("/", readers)
    return whole


def _in_one_language(state: Any, language: str, turn: Lock) -> FastAPI:
    words, limits = catalogue(language, "groomer"), state.settings.limits

    def ask(request: gr.Request) -> None:
        cookies = request.request.cookies if request.request else {}  # nobody's: refused
        accounts.require(state.records, dict(cookies), *accounts.RESEARCHERS)

    with blocks(f"coatclass: {words.say('research.workbench')}", delete_cache=(_KEPT_S, _KEPT_S)) as page:
        _evaluating(ask, words, state.passing.folder, turn)
    with page.route(words.say("research.to_try"), "/try"):
        _trying(ask, words)
    most = limits["upload"]["body_bytes"]
    return mount(FastAPI(openapi_url=None), page, guard.PAGES[0], max_file_size=most, queue=limits["workbench"])


def _headed(words: Catalogue, title: str, about: str, other: str, address: str) -> None:
    """The head of a page: what it is, the way to the other one, and back."""
    gr.components.Navbar(main_page_name=words.say("research.workbench"))
    gr.Markdown(
        f"# {words.say(f'research.{title}')}\n{words.say(f'workbench.{about}')} "
        f"[{words.say(f'research.{other}')}]({address}) · [{words.say('workbench.back')}](/researcher/)"
    )


# --- a table and its photos -------------------------------------------------------------------------------------------


def _evaluating(ask: Any, words: Catalogue, new_folder: Callable[[], Path], turn: Lock) -> None:
    def say(key: str) -> str:
        return words.say(f"workbench.{key}")

    _headed(words, "workbench", "about", "to_try", "/workbench/try")
    bag = gr.State(None, time_to_live=_KEPT_S, delete_callback=_drop)
    with gr.Row():
        with gr.Column():
            given = gr.File(label=say("table"), file_count="multiple")
            run = gr.File(label=say("run"), file_count="single")
            with gr.Accordion(say("looks"), open=False):
                gr.Markdown(_columns(words))
        with gr.Column():
            files = gr.Dataframe(
                headers=[say("file"), "kB"], label=say("here"), interactive=False, column_widths=["80%", "20%"]
            )
    with gr.Row():
        start = gr.Button(say("evaluate"), variant="primary")
        clear = gr.Button(say("clear"))
    said = gr.Markdown()
    with gr.Row():
        figures = gr.Dataframe(
            headers=list(words.lines("workbench.figures_head")),
            label=say("figures"),
            interactive=False,
            wrap=True,
            column_widths=["40%", "15%", "15%", "15%", "15%"],
        )
        plot = gr.BarPlot(
            x="category", y="recall", x_title=say("category"), y_title=say("recall"), y_lim=[0, 1],
            label=say("recall_by_category"), height=320,
        )  # fmt: skip
    differences = gr.Dataframe(
        headers=list(words.lines("workbench.differences_head")),
        label=say("differences"),
        interactive=False,
        visible=False,
    )
    predictions = gr.Dataframe(headers=list(_PREDICTED), label=say("each"), interactive=False, wrap=True,
                               column_widths=["24%", "9%", "10%", "12%", "15%", "13%", "9%", "8%"])  # fmt: skip
    report = gr.HTML(label=say("report"), padding=False)

    _taking(ask, words, (given, run), (bag, files), new_folder)

    def evaluate(kept: Path | None, request: gr.Request, progress: Any = gr.Progress()) -> Iterator[tuple[Any, ...]]:  # noqa: B008  gradio's way to ask for it
        ask(request)
        try:
            cases, html, comparison = in_turn(turn, kept, progress, words)
        except InputError as error:
            yield _refused(error, words), None, None, gr.Dataframe(visible=False), None, ""
            return
        names = wording(words.language)
        between, shown = gr.Dataframe(_between(comparison, names), visible=bool(comparison)), _figures(cases, names)
        yield _summary(cases, comparison, words), shown, _recall(cases), between, _predicted(cases), html

    def empty(kept: Path | None, request: gr.Request) -> tuple[Any, ...]:
        ask(request)
        _drop(kept)
        return None, [], "", None, None, gr.Dataframe(visible=False), None, ""

    private: dict[str, Any] = {"api_visibility": "private"}
    shown = [said, figures, plot, differences, predictions, report]
    start.click(evaluate, [bag], shown, concurrency_limit=1, **private)
    clear.click(empty, [bag], [bag, files, *shown], **private)


def _taking(
    ask: Any, words: Catalogue, fields: tuple[Any, Any], kept_in: tuple[Any, Any], new_folder: Callable[[], Path]
) -> None:
    """Take what is uploaded out of gradio's folder: a table with its photos, and another run."""
    (given, run), (bag, files) = fields, kept_in

    def take(paths: list[str] | None, kept: Path | None, request: gr.Request) -> tuple[Any, ...]:
        ask(request)
        folder = kept or new_folder()
        for path in map(Path, paths or ()):
            if len(list(folder.iterdir())) < _MOST_FILES:
                shutil.move(path, folder / path.name)
            path.unlink(missing_ok=True)
        return folder, _listed(folder, words), None

    def take_run(path: str | None, kept: Path | None, request: gr.Request) -> tuple[Any, ...]:
        ask(request)
        folder = kept or new_folder()
        if path is not None:
            _drop(folder / _OTHER)
            (folder / _OTHER).mkdir()
            shutil.move(path, folder / _OTHER / Path(path).name)
        return folder, _listed(folder, words), None

    given.upload(take, [given, bag], [bag, files, given], concurrency_limit=2, api_visibility="private")
    run.upload(take_run, [run, bag], [bag, files, run], concurrency_limit=2, api_visibility="private")


def _refused(error: InputError, words: Catalogue) -> str:
    """What is wrong with which file; where files lie on this machine is nobody's business."""
    source, problem, next_step = (
        in_language(one, words.language) for one in (Path(error.source).name, error.problem, error.next_step)
    )
    if error.code == "no_such_photo":
        next_step = words.say("workbench.no_such_photo")
    return f"**{escape(source)} {escape(problem)}** {escape(next_step)}"


def _summary(cases: evaluation.LabelledPhotos, comparison: Mapping[str, Any], words: Catalogue) -> str:
    """How many photos count, on how many two runs are compared, and which photos were refused and why."""
    out = refused_photos(cases)
    said = [words.say("workbench.done", judged=len(cases.judged), n=len(cases))]
    if comparison:
        told = {**comparison, "against": escape(comparison["against"])}
        said.append(words.say("workbench.compared", **{key: told[key] for key in ("against", "photos", "only_here")}))
    if not out:
        return " ".join(said)
    said.append(words.say("workbench.refused", n=len(out)))
    whys = [in_language(one["reason"], words.language) for one in out[:_MOST_REFUSED]]
    named = [": ".join(filter(None, (one["file"], why))) for one, why in zip(out, whys, strict=False)]
    return " ".join(said) + "\n" + "".join(f"\n- {escape(one)}" for one in named)


def _columns(words: Catalogue) -> str:
    meanings = evaluation.column_meanings(words.language)
    rows = "".join(f"\n| `{name}` | {meaning} |" for name, meaning in meanings.items())
    head = " | ".join(words.lines("workbench.columns_head"))
    return f"{words.say('workbench.columns')}\n\n| {head} |\n|---|---|{rows}\n\n{words.say('workbench.columns_more')}"


def _drop(folder: Path | None) -> None:
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)


def _listed(folder: Path, words: Catalogue) -> list[list[Any]]:
    here = [[path.name, _kb(path)] for path in sorted(folder.iterdir()) if path.is_file()]
    other = words.say("workbench.other_run")
    return here + [[f"{path.name} ({other})", _kb(path)] for path in sorted((folder / _OTHER).glob("*"))]


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


def in_turn(
    turn: Lock, kept: Path | None, progress: Any, words: Catalogue
) -> tuple[evaluation.LabelledPhotos, str, Mapping[str, Any]]:
    """Evaluate what lies in a visit's folder once nobody else's is evaluated; whoever waits is told so."""
    table, other = _table_of(kept), _other_of(kept)  # what is missing is said at once
    if not turn.acquire(blocking=False):
        progress(None, desc=words.say("workbench.waiting"))
        turn.acquire()
    try:
        return _evaluated(table, other, progress, words)
    finally:
        turn.release()


def _evaluated(
    table: Path, other: Path | None, progress: Any, words: Catalogue
) -> tuple[evaluation.LabelledPhotos, str, Mapping[str, Any]]:
    """The cases with what the program says of each, the report as a frame of its own, and how two runs differ."""
    scored = evaluation.is_scored(table)
    if scored:
        cases = evaluation.read_scored(table)
    else:
        cases = evaluation.read_table(table)
        done, looking, photos = 0, words.say("workbench.looking"), words.say("workbench.photos")

        def advance() -> None:
            nonlocal done
            done += 1
            progress((done, len(cases)), desc=looking, unit=photos)

        cases = evaluation.with_decisions(evaluation.look_at(cases, advance))
    evaluation.check_enough(cases, table)
    progress(None, desc=words.say("workbench.writing"))
    made = evaluation.build_report(cases, f"coatclass on {table.name}", simulate=False)
    out = table.parent / "report"
    try:
        predictions = table
        if not scored:
            evaluation.write_predictions(cases, out)
            predictions = out / evaluation.PREDICTIONS
        comparison = evaluation.compare(predictions, other) if other else {}
        report = {**made, **({"comparison": comparison} if comparison else {})}
        evaluation.write_report(report, cases, out, words.language)
        pages = {name: (out / name).read_bytes() for name in ("evaluation.html", "evaluation.json")}
        pages[evaluation.PREDICTIONS] = predictions.read_bytes()
    finally:
        shutil.rmtree(out, ignore_errors=True)
    title, html = escape(words.say("workbench.report")), escape(pages["evaluation.html"].decode())
    frame = f'<iframe title="{title}" sandbox srcdoc="{html}"></iframe>'
    links = " ".join(_download(name, content, words) for name, content in pages.items())
    return cases, f'<p class="downloads">{links}</p><div class="report">{frame}</div>', comparison


def _download(name: str, content: bytes, words: Catalogue) -> str:
    kind = {"html": "text/html", "json": "application/json", "csv": "text/csv"}[name.rpartition(".")[2]]
    said = escape(words.say("workbench.download", name=name))
    return f'<a download="{name}" href="data:{kind};base64,{b64encode(content).decode()}">{said}</a>'


def _figures(cases: evaluation.LabelledPhotos, words: Wording) -> list[list[Any]]:
    return [
        [_figure_name(part, name, words), round(one.value, 3), round(one.low, 3), round(one.high, 3), one.n]
        for part, rows in tables(cases, resamples=300).items()
        for name, one in rows.items()
    ]


def _figure_name(part: str, name: str, words: Wording) -> str:
    return f"{words.say(f'part.{part}.inside')}: {words.label(name)}"


def _between(comparison: Mapping[str, Any], words: Wording) -> list[list[Any]]:
    """Each figure of both runs and their difference, as the report tells it."""
    return [
        [_figure_name(part, name, words), *(round(value, 3) for value in values)]
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


def _trying(ask: Any, words: Catalogue) -> None:
    def say(key: str) -> str:
        return words.say(f"workbench.{key}")

    _headed(words, "to_try", "about_try", "workbench", "/workbench/")
    with gr.Row():
        with gr.Column():
            given = gr.File(label=say("photo"), file_count="single")
            picture = gr.HTML(label=say("looked_at"), padding=False)
        with gr.Column():
            verdict = gr.Markdown()
            coat = gr.Label(label=say("coat"), num_top_classes=len(CATEGORIES))
            band = gr.Label(label=say("length"), num_top_classes=len(BANDS))

    def look(path: str | None, request: gr.Request, progress: Any = gr.Progress()) -> tuple[Any, ...]:  # noqa: B008
        ask(request)
        if path is None:
            return None, "", "", None, None
        content = _taken(Path(path))
        progress(None, desc=say("looking_at_one"))
        return None, *_looked(content, words)

    given.upload(look, [given], [given, picture, verdict, coat, band], concurrency_limit=1, api_visibility="private")


def _taken(path: Path) -> bytes:
    """An uploaded file's content; the file is gone."""
    try:
        return path.read_bytes()
    finally:
        path.unlink(missing_ok=True)


def _looked(content: bytes, words: Catalogue) -> tuple[str, str, Any, Any]:
    """Picture, verdict and probabilities of coat and length."""
    try:
        looked = look_at(content, "photo")
        image = photo.load(content).image
    except PhotoError as error:
        problem, next_step = (in_language(one, words.language) for one in (error.problem, error.next_step))
        return "", f"**{escape(problem)}** {escape(next_step)}", None, None
    assessment = assess_readings([looked.reading("photo")])
    coats = assessment.category and {
        words.title(words.coat(c)): p for c, p in assessment.category.probabilities.items()
    }
    bands = assessment.length_band and {words.band(b): p for b, p in assessment.length_band.probabilities.items()}
    return _shown(image, looked.mask, words), _verdict(assessment, words), coats, bands


def _shown(image: Image.Image, mask: Any, words: Catalogue) -> str:
    """The photo, and over it what the image model left out."""
    small = image.convert("RGB")
    small.thumbnail((_SHOWN_PX, _SHOWN_PX))
    stream = BytesIO()
    small.save(stream, "JPEG", quality=85)
    over = _layer("image/png", overlay(mask, small.size), words.say("workbench.looked_at"))
    return f'<div class="seen">{_layer("image/jpeg", stream.getvalue(), words.say("workbench.the_photo"))}{over}</div>'


def _layer(kind: str, content: bytes, says: str) -> str:
    return f'<img alt="{escape(says)}" src="data:{kind};base64,{b64encode(content).decode()}">'


def _verdict(assessment: Assessment, words: Catalogue) -> str:
    said = [f"## {words.title(words.word('verdict', assessment.verdict))}"]
    said += [f"- {reasons.said(one, words.language)}" for one in (*assessment.reasons, *_photo_reasons(assessment))]
    if assessment.next_question is not None:
        asked = question(assessment.next_question.id, words.language)
        said += ["", f"**{words.say('workbench.next_question')}** {asked.text} {asked.help}"]
    return "\n".join(said)


def _photo_reasons(assessment: Assessment) -> Sequence[Any]:
    return [reason for report in assessment.photos for reason in report.reasons]
