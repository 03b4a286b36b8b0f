"""An assessment as readable tables in a terminal."""

from __future__ import annotations

from itertools import zip_longest

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from coatclass import toolkit
from coatclass.contract import Assessment, KitItem, Role, Verdict
from coatclass.taxonomy import BANDS, CATEGORIES
from coatclass.words import Catalogue, catalogue

_BAR_WIDTH = 12


def print_assessment(assessment: Assessment, console: Console, *, language: str = "en") -> None:
    """Print what an owner needs first, then what a groomer looks up."""
    say = catalogue(language, "terminal")
    for part in (_photos, _verdict, _estimates, _kit, _routine, _cautions, _next_question):
        rendered = part(assessment, say)
        if rendered is not None:
            console.print(Padding(rendered, (0, 0, 1, 0)))
    versions = say.say("line.versions", model=assessment.model_version, rules=assessment.rules_version)
    console.print(Text(versions, style="dim"))


def _photos(assessment: Assessment, say: Catalogue) -> RenderableType | None:
    if not assessment.photos:
        return None
    lines = []
    for photo in assessment.photos:
        why = " ".join(reason.text for reason in photo.reasons)
        said = f"{photo.file}, {photo.status}" + (f": {why}" if why else ".")
        lines.append(Text.assemble((f"{say.say('head.photo')} ", "bold"), said))
    return Group(*lines)


def _verdict(assessment: Assessment, say: Catalogue) -> RenderableType:
    words = say.title(say.word("verdict", assessment.verdict))
    found = assessment.category
    if found is not None and assessment.verdict in (Verdict.SETTLED, Verdict.NARROWED):
        words = say.say("line.verdict", verdict=words, coats=say.either(map(say.coat, found.set)))
    lines: list[RenderableType] = [Text(words, style="bold")]
    lines += [Text(f"  {reason.text}") for reason in assessment.reasons]
    if found is not None:
        lines += [Text(f"  {say.title(say.coat(c))}: {say.definition('coat', c)}", style="dim") for c in found.set]
    return Group(*lines)


def _estimates(assessment: Assessment, say: Catalogue) -> RenderableType | None:
    if assessment.category is None or assessment.length_band is None:
        return None
    category, band = assessment.category.probabilities, assessment.length_band.probabilities
    coats = sorted(CATEGORIES, key=lambda one: -category[one])
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in (say.say("head.coat"), "", say.say("head.length"), ""):
        table.add_column(heading, no_wrap=True)
    left = [(say.title(say.coat(one)), _bar(category[one])) for one in coats]
    right = [(say.band(one), _bar(band[one])) for one in BANDS]
    for coat, length in zip_longest(left, right, fillvalue=("", Text())):
        table.add_row(*coat, *length)
    return table


def _bar(probability: float) -> Text:
    return Text(f"{_percent(probability):>4} {'█' * round(probability * _BAR_WIDTH)}")


def _percent(probability: float) -> str:
    """A whole percentage that never claims certainty."""
    if probability < 0.005:
        return "<1%"
    return ">99%" if probability > 0.995 else f"{probability:.0%}"


def _kit(assessment: Assessment, say: Catalogue) -> RenderableType | None:
    if not assessment.kit:
        return None
    parts: list[RenderableType] = [Text(say.say("head.kit"), style="italic")]
    for role in Role:
        items = sorted((item for item in assessment.kit if item.role is role), key=lambda item: item.order or 0)
        grid = Table(box=None, show_header=False, pad_edge=False)
        grid.add_column(justify="right")
        grid.add_column(overflow="fold")
        for item in items:
            grid.add_row(f" {item.order or '-'}", _tool(item, say))
        if items:
            parts += [Text(say.title(say.word("role", role)), style="bold"), grid]
    return Group(*parts)


def _tool(item: KitItem, say: Catalogue) -> RenderableType:
    features = ", ".join(toolkit.specification_words(item.specification, language=say.language))
    lines = [Text.assemble((item.name, "bold"), f" · {features}" if features else "")]
    if item.zones:
        lines.append(Text(say.say("line.where", zones=say.zones(item.zones)), style="dim"))
    return Group(*lines, Text(item.why))


def _routine(assessment: Assessment, say: Catalogue) -> RenderableType | None:
    routine = assessment.routine
    if routine is None:
        return None
    often = say.often(*routine.sessions_per_week)
    heading = say.say("head.routine", often=often)
    if routine.minutes_per_session:
        heading = say.say("head.routine_minutes", often=often, minutes=say.minutes(*routine.minutes_per_session))
    table = Table(title=heading, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("", say.say("head.do"), say.say("head.done")):
        table.add_column(name, overflow="fold")
    for step in routine.steps:
        table.add_row(str(step.order), step.do, step.done_when)
    return Group(table, Text(routine.bath)) if routine.bath else table


def _cautions(assessment: Assessment, say: Catalogue) -> RenderableType | None:
    if not assessment.cautions:
        return None
    heading = say.say("head.cautions")
    table = Table(title=heading, title_justify="left", box=None, show_header=False, pad_edge=False)
    table.add_column(no_wrap=True, style="bold")
    table.add_column(overflow="fold")
    for caution in assessment.cautions:
        word = say.word("level", caution.level)
        table.add_row(word.upper() if caution.level == "stop" else say.title(word), caution.text)
    return table


def _next_question(assessment: Assessment, say: Catalogue) -> RenderableType | None:
    question = assessment.next_question
    if question is None:
        return None
    return Group(Text.assemble((f"{say.say('head.question')} ", "bold"), question.text), Text(f"  {question.help}"))
