"""What the sheet says, as blocks: the first page, for use with a dog on the table, and the details."""

from __future__ import annotations

from dataclasses import replace

from coatclass import care, toolkit
from coatclass.contract import KitItem, Role, RoutineStep
from coatclass.reports._blocks import (
    Block,
    Facts,
    FirstPage,
    Items,
    Note,
    Picture,
    RuledLines,
    Section,
    StepRow,
    Steps,
    Table,
    Text,
    ToolRow,
    Tools,
    WeekStrip,
)
from coatclass.reports._curve_picture import curve_picture
from coatclass.reports._dog_picture import dog_picture
from coatclass.reports._sheet import Sheet
from coatclass.reports._sheet_words import coat_facts, note, source
from coatclass.taxonomy import BodyZone, MatState
from coatclass.words import Catalogue, catalogue

__all__ = ["FULL", "SHORTEST", "details", "first_page"]

FULL, SHORTEST = 0, 2
"""How much the first page says: everything, or only what can't be left out."""

_CAUTIONS = (6, 4, 3)
_DATES = (5, 4, 3)
_STOPS = (9, 9, 5)


def first_page(sheet: Sheet, brevity: int = FULL) -> FirstPage:
    """The one page to put up beside the table.

    Args:
        sheet: already in the language of the page.
        brevity: 0 to 2; the higher, the less is said, for sheets that would not fit.
    """
    plan, language = sheet.plan, sheet.plan.language
    texts = catalogue(language, "sheet")
    dog = sheet.dog_name or texts.your_dog
    stops = [note(caution, texts) for caution in plan.cautions if caution.level == "stop"]
    others = [note(caution, texts) for caution in plan.cautions if caution.level == "care"]
    cautions: tuple[Block, ...] = (*others[: _CAUTIONS[brevity]], Text(texts.say("caution.more"), quiet=True))
    dates = (Items(plan.growth_words[: _DATES[brevity]]),)
    return FirstPage(
        title=texts.say("title.sheet", dog=dog),
        day=texts.say("title.day", day=texts.day(plan.case.today)),
        top=tuple(stops[: _STOPS[brevity]]),
        left=(
            Section(texts.say("part.coat"), (Facts(coat_facts(sheet, texts)),)),
            _first_steps(sheet, texts, brevity),
            Section(texts.say("part.bath"), (Text(plan.routine.bath),)),
            Section(texts.say("part.cautions"), cautions),
        ),
        right=(
            Section(texts.say("part.where"), (Picture(dog_picture(plan.load, plan.routine.leave, texts)),)),
            Section(texts.say("part.week"), _week(sheet, texts)),
            Section(texts.say("part.kit"), _first_kit(sheet, texts, brevity)),
            Section(texts.say("part.dates"), dates),
        ),
    )


def _first_steps(sheet: Sheet, texts: Catalogue, brevity: int) -> Section:
    """The steps of the first page; while the plan is on hold only what may be done now."""
    steps = _steps(sheet, texts, brevity)
    if not sheet.plan.routine.hold:
        return Section(texts.say("part.steps"), (steps,))
    now = {step.order for step in sheet.plan.routine.steps if step.technique == "leave"}
    rows = tuple(replace(row, number=n) for n, row in enumerate((r for r in steps.rows if r.number in now), start=1))
    after = Text(texts.say("step.afterwards"))
    first = Text(sheet.plan.routine.hold)
    return Section(texts.say("part.steps_now"), (first, *((replace(steps, rows=rows),) if rows else ()), after))


def _first_kit(sheet: Sheet, texts: Catalogue, brevity: int) -> tuple[Block, ...]:
    """The tools of the first page: all with their drawings, or the needed ones and the names of the rest."""
    tools = _tools(sheet, texts, short=True)
    needed = tuple(row for row in tools if row.role == texts.word("role", Role.ESSENTIAL))
    if brevity < SHORTEST or not needed or len(tools) <= len(needed):
        return (Tools(tools),)
    rest = texts.joined(row.name for row in tools if row not in needed)
    return (Tools(needed), Text(texts.say("role.also", tools=rest)))


def details(sheet: Sheet) -> tuple[Section, ...]:
    """Everything else, in the order in which it is needed."""
    plan = sheet.plan
    texts = catalogue(plan.language, "sheet")
    routine = plan.routine
    at_steps = {code for step in routine.steps for code in step.cautions}
    session = tuple(note(c, texts) for c in plan.cautions if c.place == "session" and c.code not in at_steps)
    ladder: tuple[Block, ...] = (Items(routine.ladder, numbered=True), *_notes(sheet, texts, "mats"))
    doubts = tuple(Note("care", texts.word("level", "care").upper(), doubt) for doubt in plan.doubts)
    title = "part.steps_later" if routine.hold else "part.routine"
    sections: tuple[tuple[str, tuple[Block, ...]], ...] = (
        (
            title,
            (*_notes(sheet, texts, "start"), _steps(sheet, texts, FULL, detailed=True), *session),
        ),
        ("part.ladder", ladder) if routine.ladder else ("part.mats", _notes(sheet, texts, "mats")),
        ("part.bath", _bath(sheet, texts)),
        ("part.errors", (Items(routine.errors),)),
        ("part.trial", (Items(routine.trial, numbered=True),) if routine.trial else ()),
        ("part.decides", (Items(routine.groomer_decides),) if routine.groomer_decides else ()),
        ("part.tools", (Tools(_tools(sheet, texts)), *_notes(sheet, texts, "tools"))),
        ("part.later", _not_now(sheet)),
        ("part.time", _time(sheet, texts)),
        ("part.growth", (Items(plan.growth_words), *doubts, *_notes(sheet, texts, "trim"))),
        ("part.load", (_load_table(sheet, texts),)),
        ("part.remarks", _remarks(sheet, texts)),
        ("part.all_cautions", (_sources(sheet, texts),)),
        ("part.about", _about(sheet, texts)),
    )
    return tuple(Section(texts.say(name), blocks) for name, blocks in sections if blocks)


def _bath(sheet: Sheet, texts: Catalogue) -> tuple[Block, ...]:
    routine, worst = sheet.plan.routine, sheet.plan.case.situation.worst_mats
    not_now = worst is not None and worst.severity >= MatState.MATS.severity
    later = (Text(catalogue(sheet.plan.language, "care").say("bath.after_knots")),) if not_now else ()
    return (
        Text(routine.bath),
        *later,
        Items(routine.bath_steps, numbered=True),
        *_notes(sheet, texts, "bath"),
    )


def _sources(sheet: Sheet, texts: Catalogue) -> Table:
    """Every caution with its source, for those who want to check."""
    rows = tuple((texts.word("level", c.level).upper(), c.text, source(c, texts)) for c in sheet.plan.cautions)
    return Table(texts.lines("caution.head"), rows, (0.13, 0.55, 0.32))


def _notes(sheet: Sheet, texts: Catalogue, place: str) -> tuple[Note, ...]:
    """The cautions that belong to a place, shown where they matter."""
    return tuple(note(c, texts) for c in sheet.plan.cautions if c.place == place)


def _steps(sheet: Sheet, texts: Catalogue, brevity: int, *, detailed: bool = False) -> Steps:
    roles = {item.tool: item.role for item in sheet.plan.case.kit}
    rows = []
    shown: set[str] = set()
    for step in sheet.plan.routine.steps:
        optional = step.tool is not None and roles.get(step.tool) is not Role.ESSENTIAL
        codes = set(step.cautions) - shown if detailed else set()
        shown |= codes
        rows.append(_step(step, optional, sheet, texts, codes=codes, detailed=detailed, brevity=brevity))
    return Steps(tuple(rows), texts.say("step.where"), texts.say("step.done"), texts.say("step.errors"))


def _step(
    step: RoutineStep,
    optional: bool,
    sheet: Sheet,
    texts: Catalogue,
    *,
    codes: set[str],
    detailed: bool,
    brevity: int,
) -> StepRow:
    hidden = optional and not detailed and brevity > FULL
    return StepRow(
        number=step.order,
        title=step.title,
        tag=texts.say("step.helpful") if optional else "",
        where="" if hidden and brevity == SHORTEST else texts.zones(step.zones or BodyZone),
        do="" if hidden else step.do,
        done="" if hidden or (brevity > FULL and not detailed) else step.done_when,
        errors=step.errors if detailed else (),
        notes=tuple(note(c, texts) for c in sheet.plan.cautions if c.code in codes),
    )


def _tools(sheet: Sheet, texts: Catalogue, *, short: bool = False) -> tuple[ToolRow, ...]:
    language = sheet.plan.language
    usable = [item for item in sheet.plan.case.kit if item.role in (Role.ESSENTIAL, Role.HELPFUL)]
    return tuple(_tool(item, texts, language, short=short) for item in usable)


def _tool(item: KitItem, texts: Catalogue, language: str, *, short: bool) -> ToolRow:
    known = item.tool in toolkit.catalogue()
    features = ", ".join(toolkit.specification_words(item.specification, language=language))
    return ToolRow(
        name=item.name,
        role=texts.word("role", item.role),
        features=features,
        why="" if short else item.why,
        drawing=toolkit.drawing(item.tool, language=language, described=False) if known else "",
        alt=toolkit.describe(item.tool, language=language) if known else item.name,
    )


def _week(sheet: Sheet, texts: Catalogue) -> tuple[Block, ...]:
    plan = sheet.plan
    if plan.routine.hold:
        return (Text(texts.say("week.hold")),)
    names = texts.weekdays
    kinds = {"session": 2, "touch_up": 1, "": 0}
    days = tuple(
        (name, texts.say(f"days.{due or 'free'}"), kinds[due]) for name, due in zip(names, plan.week, strict=True)
    )
    lines = []
    for row in reversed(plan.routine.zones):
        n = texts.often(row.times_per_week)
        if not row.zones:
            lines.append(texts.say("week.base", n=n))
        else:
            every = set(row.zones) == set(care.RISK_ZONES)
            zones = texts.say("week.all_spots") if every else texts.zones(row.zones)
            lines.append(texts.say("week.zones", zones=texts.title(zones), n=n, why=row.why))
    return (WeekStrip(days), Items(tuple(lines)), *(Text(words) for words in plan.time_words[:1]))


def _not_now(sheet: Sheet) -> tuple[Block, ...]:
    kit = [item for item in sheet.plan.case.kit if item.role in (Role.LATER, Role.AVOID)]
    texts = catalogue(sheet.plan.language, "sheet")
    return (Facts(tuple((f"{item.name} ({texts.word('role', item.role)})", item.why) for item in kit)),) if kit else ()


def _time(sheet: Sheet, texts: Catalogue) -> tuple[Block, ...]:
    budget = sheet.plan.time
    if budget is None:
        return ()
    words = [Text(line) for line in sheet.plan.time_words]
    return (*words, Text(texts.say("week.sittings", n=budget.sittings)),
            Picture(curve_picture(budget, sheet.plan.growth.now_mm, texts)))  # fmt: skip


def _load_table(sheet: Sheet, texts: Catalogue) -> Table:
    """The zones at risk, worst first, and what adds to each."""
    rows = []
    shown = [row for row in sheet.plan.load if row.zone in care.RISK_ZONES]
    for row in sorted(shown, key=lambda row: -row.score):
        added = [texts.say(f"load.{name}") for name, _ in row.factors[5:]]
        if sheet.plan.case.situation.mats.get(row.zone) not in (None, "none"):
            added.append(texts.say("load.found"))
        rows.append(
            (
                texts.zone(row.zone),
                texts.number(row.score, 0),
                texts.word("risk", row.level),
                ", ".join(added) or texts.say("load.nothing"),
            )
        )
    head = tuple(texts.say(f"load.{name}") for name in ("zone", "score", "level", "why"))
    return Table(head, tuple(rows), (0.22, 0.16, 0.14, 0.48))


def _remarks(sheet: Sheet, texts: Catalogue) -> tuple[Block, ...]:
    if sheet.remarks.strip():
        return (Text(texts.say("remarks.given"), quiet=True), Text(sheet.remarks.strip()))
    return (RuledLines(6),)


def _about(sheet: Sheet, texts: Catalogue) -> tuple[Block, ...]:
    rules = sheet.assessment.rules_version if sheet.assessment else toolkit.rules_version()
    model = sheet.assessment.model_version if sheet.assessment else texts.say("days.free")
    return (
        Text(texts.say("about.purpose")),
        Text(texts.say("about.numbers")),
        Text(texts.say("about.versions", rules=rules, model=model), quiet=True),
    )
