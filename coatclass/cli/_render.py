"""An assessment as readable tables in a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import zip_longest

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from coatclass.contract import Assessment, KitItem, Role, Verdict
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    band_label,
    category_label,
    definition,
)

_VERDICT_WORDS = {
    Verdict.SETTLED: "Settled",
    Verdict.NARROWED: "Narrowed down",
    Verdict.HANDS_ON: "Have a groomer touch it",
    Verdict.NOT_A_DOG: "No dog seen",
    Verdict.UNUSABLE_PHOTO: "The photo can't carry an estimate",
}
_ROLE_WORDS = {
    Role.ESSENTIAL: "Buy",
    Role.HELPFUL: "Helpful",
    Role.LATER: "Wait for the groomer",
    Role.AVOID: "Leave in the shop",
}
_BAR_WIDTH = 12
_FEW_ZONES = 6


def print_assessment(assessment: Assessment, console: Console) -> None:
    """Print what an owner needs first, then what a groomer looks up."""
    for part in (_photos, _verdict, _estimates, _kit, _routine, _cautions, _next_question):
        rendered = part(assessment)
        if rendered is not None:
            console.print(Padding(rendered, (0, 0, 1, 0)))
    console.print(Text(f"model {assessment.model_version} · rules {assessment.rules_version}", style="dim"))


def _photos(assessment: Assessment) -> RenderableType | None:
    if not assessment.photos:
        return None
    lines = []
    for photo in assessment.photos:
        why = " ".join(reason.text for reason in photo.reasons)
        said = f"{photo.file}, {photo.status}" + (f": {why}" if why else ".")
        lines.append(Text.assemble(("Photo ", "bold"), said))
    return Group(*lines)


def _verdict(assessment: Assessment) -> RenderableType:
    words = _VERDICT_WORDS[assessment.verdict]
    if assessment.category is not None and assessment.verdict in (Verdict.SETTLED, Verdict.NARROWED):
        candidates = " or ".join(category_label(c) for c in assessment.category.set)
        words = f"{words}: {candidates}"
    lines: list[RenderableType] = [Text(words, style="bold")]
    lines += [Text(f"  {reason.text}") for reason in assessment.reasons]
    if assessment.category is not None:
        lines += [Text(f"  {category_label(c)}: {definition(c)}", style="dim") for c in assessment.category.set]
    return Group(*lines)


def _estimates(assessment: Assessment) -> RenderableType | None:
    if assessment.category is None or assessment.length_band is None:
        return None
    category, band = assessment.category.probabilities, assessment.length_band.probabilities
    coats = sorted(CATEGORIES, key=lambda one: -category[one])
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("Coat", "", "Length on the trunk", ""):
        table.add_column(heading, no_wrap=True)
    left = [(category_label(one), _bar(category[one])) for one in coats]
    right = [(band_label(one), _bar(band[one])) for one in BANDS]
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


def _kit(assessment: Assessment) -> RenderableType | None:
    if not assessment.kit:
        return None
    parts: list[RenderableType] = [Text("Tool kit", style="italic")]
    for role, words in _ROLE_WORDS.items():
        items = sorted((item for item in assessment.kit if item.role is role), key=lambda item: item.order or 0)
        grid = Table(box=None, show_header=False, pad_edge=False)
        grid.add_column(justify="right")
        grid.add_column(overflow="fold")
        for item in items:
            grid.add_row(f" {item.order or '-'}", _tool(item))
        if items:
            parts += [Text(words, style="bold"), grid]
    return Group(*parts)


def _tool(item: KitItem) -> RenderableType:
    lines = [Text.assemble((item.name, "bold"), *(f" · {part}" for part in (_specification(item),) if part))]
    if item.zones:
        lines.append(Text(f"where: {_zones(item.zones)}", style="dim"))
    return Group(*lines, Text(item.why))


def _specification(item: KitItem) -> str:
    s = item.specification
    parts = [
        _range("pins", s.pin_length_mm),
        _range("teeth", s.tooth_length_mm),
        _range("gap", s.tooth_gap_mm),
        s.stiffness,
        s.tip,
        s.size,
    ]
    return ", ".join(part for part in parts if part)


def _range(what: str, limits: tuple[float, float] | None) -> str | None:
    if limits is None:
        return None
    low, high = limits
    return f"{what} {low:g} mm" if low == high else f"{what} {low:g}-{high:g} mm"


def _zones(zones: tuple[BodyZone, ...]) -> str:
    """Named zones, or the whole dog but for a few."""
    missing = [zone for zone in BodyZone if zone not in zones]
    if len(missing) > _FEW_ZONES or not zones:
        return _listed(zones)
    return f"all but: {_listed(missing)}" if missing else "whole dog"


def _listed(zones: Iterable[BodyZone]) -> str:
    return ", ".join(zone.replace("_", " ") for zone in zones)


def _routine(assessment: Assessment) -> RenderableType | None:
    routine = assessment.routine
    if routine is None:
        return None
    low, high = routine.sessions_per_week
    often = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    heading = f"Routine: {often} times a week"
    if routine.minutes_per_session:
        heading += f", {routine.minutes_per_session[0]:g} to {routine.minutes_per_session[1]:g} minutes each"
    table = Table(title=heading, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("", "Do", "Done when"):
        table.add_column(name, overflow="fold")
    for step in routine.steps:
        table.add_row(str(step.order), step.do, step.done_when)
    return Group(table, Text(routine.bath)) if routine.bath else table


def _cautions(assessment: Assessment) -> RenderableType | None:
    if not assessment.cautions:
        return None
    words = {"stop": "STOP", "care": "Take care", "note": "Note"}
    table = Table(title="Cautions", title_justify="left", box=None, show_header=False, pad_edge=False)
    table.add_column(no_wrap=True, style="bold")
    table.add_column(overflow="fold")
    for caution in assessment.cautions:
        table.add_row(words[caution.level], caution.text)
    return table


def _next_question(assessment: Assessment) -> RenderableType | None:
    question = assessment.next_question
    if question is None:
        return None
    return Group(Text.assemble(("Most useful next answer: ", "bold"), question.text), Text(f"  {question.help}"))
