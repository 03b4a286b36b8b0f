"""What a plan shows, in which order: one function a section, silent where there is nothing to say."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Protocol

from coatclass import care, toolkit
from coatclass.contract import Assessment, KitItem, Role, RoutineStep, Verdict, Who
from coatclass.planning import Phase, Plan
from coatclass.presentation.blocks import (
    Bars,
    Block,
    Facts,
    Items,
    Note,
    Picture,
    Place,
    Presentation,
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
from coatclass.presentation.pictures import dog_map, growth_curve, length_picture, time_curve
from coatclass.presentation.wording import (
    Said,
    ask_line,
    entry,
    note,
    percent,
    source,
    week_lines,
    when,
)
from coatclass.taxonomy import BANDS, CATEGORIES, BodyZone, CoatCategory
from coatclass.words import LANGUAGES, Catalogue, catalogue

__all__ = ["present"]

_USABLE = (Role.ESSENTIAL, Role.HELPFUL)
_ASSESSED_IN = LANGUAGES[0]
"""The language of reasons and questions in an assessment."""


def present(
    plan: Plan | None,
    assessment: Assessment | None = None,
    *,
    dog_name: str = "",
    breed: str = "",
    parents: Sequence[str] = (),
    remarks: str = "",
    owned: Sequence[toolkit.OwnedToolLike] = (),
    measured: Sequence[care.Measurement] = (),
    language: str | None = None,
) -> Presentation:
    """Everything that is shown of one dog; presenters render it and compute, phrase and order nothing.

    Args:
        plan: None if nothing that was given can carry one; then there is only the verdict and what helps next.
        assessment: what was estimated; None if the coat was only told.
        dog_name: as people call it; any characters.
        breed, parents: as the owner says.
        remarks: the groomer's; empty leaves lines to write on.
        owned: tools at home, to be judged.
        measured: dated trunk lengths, for the picture of growth.
        language: needed only without a plan, which has its own.

    Raises:
        InputError: for a language without texts.
    """
    words = catalogue(plan.language if plan else language or LANGUAGES[0])
    dog = dog_name or words.your_dog
    said = Said(words, dog, assessment, _possible(plan, assessment))
    of = _Dog(plan, assessment, said, words, breed, tuple(parents), remarks.strip(), tuple(owned), tuple(measured))
    today = plan.today if plan else date.today()
    return Presentation(
        language=words.language,
        day=today,
        dog=dog,
        title=said.title,
        sheet_title=words.say("plan.title.sheet", dog=dog),
        page_title=words.say("plan.title.page", dog=dog),
        details_title=words.say("plan.title.details"),
        made=words.say("plan.title.day", day=words.day(today)),
        sections=tuple(_sections(of)),
        entries=tuple(entry(event, plan, dog, words) for event in plan.events) if plan else (),
    )


def _possible(plan: Plan | None, assessment: Assessment | None) -> tuple[CoatCategory, ...]:
    """Coats still possible, the most probable first; a puppy's is the one that it is growing into."""
    if assessment is not None and assessment.category is not None:
        return tuple(assessment.category.set)
    grown = None if plan is None else (plan.grown or plan.now).situation.categories
    return tuple(one for one in CATEGORIES if grown and one in grown)


@dataclass(frozen=True)
class _Dog:
    """What the sections are made from."""

    plan: Plan | None
    assessment: Assessment | None
    said: Said
    words: Catalogue
    breed: str
    parents: tuple[str, ...]
    remarks: str
    owned: tuple[toolkit.OwnedToolLike, ...]
    measured: tuple[care.Measurement, ...]

    def say(self, key: str, **values: object) -> str:
        """A text of the plan."""
        return self.words.say(f"plan.{key}", **values)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why the verdict is what it is; an assessment gives reasons in one language only."""
        if self.assessment is None or self.words.language != _ASSESSED_IN:
            return ()
        return tuple(reason.text for reason in self.assessment.reasons)

    @property
    def uncertain(self) -> bool:
        """Whether only hands can tell which coat it is."""
        return self.assessment is not None and self.assessment.verdict is Verdict.HANDS_ON

    @property
    def having(self) -> frozenset[BodyZone]:
        """The zones of the dog as it is now."""
        return self.plan.now.triage.having if self.plan else frozenset()

    @property
    def now_mm(self) -> float:
        """Trunk length today, mm; an estimate unless somebody measured it."""
        return self.plan.growth.now_mm if self.plan else 0.0

    @property
    def kit_phase(self) -> Phase | None:
        """The phase whose tools the owner is to have first."""
        if self.plan is None:
            return None
        return self.plan.now if _usable(self.plan.now) else self.plan.routine_phase


def _usable(phase: Phase) -> list[KitItem]:
    """The tools to have, in the order of work."""
    return sorted((item for item in phase.kit if item.role in _USABLE), key=lambda item: (item.order or 99, item.tool))


# --- order ------------------------------------------------------------------------------------------------------------


def _sections(of: _Dog) -> Iterator[Section]:
    """The sections in reading order, without the empty ones and without what stays as it is now."""
    said: dict[str, tuple[Block, ...]] = {}
    for section_id, place, build in _plan_of(of):
        blocks = tuple(build(of))
        if blocks and said.get(section_id.rpartition("-")[2]) != blocks:
            said[section_id] = blocks
            yield Section(section_id, _title(section_id, of), place, blocks)


_Builder = Callable[[_Dog], Iterable[Block]]


class _OfPhase(Protocol):
    def __call__(self, of: _Dog, /, phase: Phase) -> Iterable[Block]: ...


def _plan_of(of: _Dog) -> Iterator[tuple[str, Place, _Builder]]:
    plan = of.plan
    yield "verdict", "first", _verdict
    if plan is not None:
        yield "stops", "first", _stops
        yield "now", "first", _now
        yield from _routine_of(plan.now, "")
        yield "visit", "first", _visit
        if plan.after is not None:
            yield "after", "first", _after
            same = ("week", "bath") if _same_work(plan) else ()
            yield from _routine_of(plan.after, "after-", only=same)
        if plan.grown is not None or plan.growth.look_again:
            yield "changes", "first", _changes
        if plan.grown is not None:
            yield "grown", "first", _grown
            yield from _routine_of(plan.grown, "grown-", only=("kit",))
        yield "dates", "first", _dates
        yield "beware", "first", partial(_besides, level="care")
        yield "notes", "more", partial(_besides, level="note")
        yield "map", "more", _map
        yield "time", "more", _time
        yield "growth", "more", _growth
        yield "length", "more", _length
        yield "trial", "more", _trial
        yield "decides", "more", _decides
        yield "owned", "more", _owned
        yield "later", "more", _later
        yield "others", "more", _others
    yield "sure", "more", _sure
    yield "question", "more", _question
    if plan is not None:
        yield "remarks", "more" if of.remarks else "paper", _remarks
        yield "cautions", "more", _cautions
    yield "about", "more", _about


def _same_work(plan: Plan) -> bool:
    """Whether after the visit the same tools do the same work, only in more places."""
    now, after = ({(item.tool, item.role) for item in _usable(phase)} for phase in (plan.now, plan.routine_phase))
    return plan.now.week is not None and now == after


def _routine_of(phase: Phase, prefix: str, only: Sequence[str] = ()) -> Iterator[tuple[str, Place, _Builder]]:
    """Kit, week, steps, knots and bath of a phase; only of the present one they must be read at once."""
    parts: tuple[tuple[str, Place, _OfPhase], ...] = (
        ("kit", "first", _kit),
        ("week", "first", _week),
        ("steps", "first", _steps),
        ("ladder", "more", _ladder),
        ("bath", "first", _bath),
        ("errors", "more", _errors),
    )
    for name, place, build in parts:
        if not only or name in only:
            yield f"{prefix}{name}", "more" if prefix else place, partial(build, phase=phase)


def _title(section_id: str, of: _Dog) -> str:
    phase, _, part = section_id.rpartition("-")
    if section_id == "visit":
        return of.words.title(of.say(f"section.visit_{_who(of)}"))
    if section_id == "now":
        return of.say("section.now_until" if of.uncertain or (of.plan and of.plan.visit) else "section.now")
    if section_id == "after":
        return of.say(f"section.{_after_what(of)}")
    title = of.say(f"section.{part or section_id}", dog=of.words.title(of.said.dog))
    if not phase:
        return title
    return of.say(
        "section.of_phase", phase=of.say(f"section.{_after_what(of) if phase == 'after' else phase}"), part=title
    )


def _who(of: _Dog) -> str:
    asked = {ask.who for ask in of.plan.visit} if of.plan else set()
    if {Who.VET, Who.GROOMER} <= asked:
        return "both"
    return "vet" if Who.VET in asked else "groomer"


def _after_what(of: _Dog) -> str:
    return "after" if of.plan is not None and of.plan.visit else "after_training"


# --- what must be read at once ----------------------------------------------------------------------------------------


def _verdict(of: _Dog) -> Iterator[Block]:
    pairs = []
    if of.breed:
        pairs.append((of.say("coat.breed"), of.breed))
    if of.parents:
        pairs.append((of.say("coat.parents"), of.words.joined(of.parents)))
    if of.said.categories:
        coats = of.words.title(of.words.either(of.words.coat(one) for one in of.said.categories))
        pairs += [(of.say("coat.kind"), coats), (of.say("coat.sure"), of.said.how_sure)]
    if of.plan is not None:
        situation, mm = of.plan.now.situation, of.plan.now.situation.measured_mm
        key = "measured" if mm is not None else "likely"
        length = of.words.mm(of.plan.growth.now_mm if mm is None else mm)
        pairs.append((of.say("coat.length"), of.say(f"coat.{key}", mm=length)))
        if situation.weight_kg is not None:
            pairs.append((of.say("coat.weight"), of.say("coat.kg", kg=of.words.number(situation.weight_kg))))
    if pairs:
        yield Facts(tuple(pairs))
    yield from (Text(line) for line in of.reasons)
    if of.plan is None:
        yield Text(of.say("verdict.no_plan"))
        yield from _photos(of)


def _stops(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    if of.plan.now.routine.hold:
        yield Note("stop", of.words.title(of.words.word("level", "stop")), of.plan.now.routine.hold)
    yield from (note(one, of.having, of.words) for one in of.plan.cautions if one.level == "stop")


def _now(of: _Dog) -> Iterator[Block]:
    """What is safe until the visit; steps of a dog that is brushed at once stand in their own section."""
    assert of.plan is not None
    phase = of.plan.now
    if phase.week is None and phase.routine.steps:
        yield _step_block(of, phase, phase.routine.steps)
    if of.uncertain and not of.plan.visit and phase.week is not None:
        yield Items(of.words.lines("plan.now.safe"))
    if phase.training:
        yield Text(of.say("training.why"))
        yield _training(of, phase)


def _training(of: _Dog, phase: Phase) -> Steps:
    rows, day = [], 1
    for one in phase.training:
        last = day + one.days - 1
        days = of.say("training.day" if last == day else "training.days", first=day, last=last)
        title = of.say("training.step", days=days, seconds=of.words.number(one.seconds, 0))
        rows.append(StepRow(title, "", one.do, one.go_on_when))
        day = last + 1
    return _step_words(of, rows, done=of.say("training.go_on"))


def _visit(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    both = _who(of) == "both"
    for who in (Who.VET, Who.GROOMER):
        asked = tuple(ask_line(ask, of.having, of.words) for ask in of.plan.visit if ask.who is who)
        if asked and both:
            yield Text(of.words.title(of.say(f"visit.{who}")), "headline")
        if asked:
            yield Items(asked)
    if of.uncertain or any(ask.who is Who.GROOMER for ask in of.plan.visit):
        yield Items(of.words.lines("plan.visit.feel" if of.uncertain else "plan.visit.bring"))


def _after(of: _Dog) -> Iterator[Block]:
    """What comes after the visit or the training, in short."""
    assert of.plan is not None and of.plan.after is not None
    phase = of.plan.after
    if not of.plan.now.triage.shopping.open:
        yield Text(of.say("after.buy_nothing" if of.plan.visit else "after.buy_nothing_training"), "headline")
    pairs = []
    if _same_work(of.plan):
        more = phase.triage.cleared(comb=True) - of.plan.now.triage.cleared(comb=True)
        key = "same_and" if more else "same"
        yield Text(of.say(f"after.{key}", zones=of.words.zones(more, having=phase.triage.having)))
    if of.plan.now.triage.comes_off and phase.situation.measured_mm is not None:
        pairs.append((of.say("coat.length"), of.say("after.length", mm=of.words.mm(phase.situation.measured_mm))))
    tools = [item.name for item in _usable(phase) if item.role is Role.ESSENTIAL]
    if tools and not _same_work(of.plan):
        pairs.append((of.words.title(of.words.word("role", Role.ESSENTIAL)), of.words.joined(tools)))
    if phase.week is not None:
        pairs.append((of.say("section.week"), week_lines(phase.week, phase.triage.having, of.words)[0]))
    if pairs:
        yield Facts(tuple(pairs))


def _changes(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    yield Text(of.say("changes.why"))
    yield Items(tuple(of.say("changes.day", day=of.words.day(day)) for day in of.plan.growth.look_again))


def _grown(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None and of.plan.grown is not None
    phase = of.plan.grown
    yield Text(of.say("grown.if"))
    pairs = []
    tools = [item.name for item in _usable(phase) if item.role is Role.ESSENTIAL]
    if tools:
        pairs.append((of.words.title(of.words.word("role", Role.ESSENTIAL)), of.words.joined(tools)))
    if phase.week is not None:
        pairs.append((of.say("section.week"), week_lines(phase.week, phase.triage.having, of.words)[0]))
    if pairs:
        yield Facts(tuple(pairs))


def _dates(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    entries = [entry(event, of.plan, of.said.dog, of.words) for event in of.plan.events]
    if entries:
        yield Facts(tuple((when(one.event, of.words), one.title) for one in entries))


def _besides(of: _Dog, level: str) -> Iterator[Block]:
    """The cautions of a level that stand at no step."""
    assert of.plan is not None
    at_steps = {code for step in of.plan.now.routine.steps for code in step.cautions}
    wanted = (one for one in of.plan.cautions if one.level == level and one.code not in at_steps)
    yield from (note(one, of.having, of.words) for one in wanted)


# --- kit and routine of a phase ---------------------------------------------------------------------------------------


def _kit(of: _Dog, phase: Phase) -> Iterator[Block]:
    tools = _usable(phase)
    if not tools:
        return
    first = _first_to_buy(of, tools)
    if first is not None:
        yield Text(of.say("kit.first", tool=first.name), "headline")
    yield Tools(tuple(_tool(of, phase, item) for item in tools), of.say("step.where"), of.say("kit.features"))


def _first_to_buy(of: _Dog, tools: Sequence[KitItem]) -> KitItem | None:
    """The first tool of the work that is needed and not at home."""
    at_home = {found[0] for tool in of.owned if len(found := toolkit.identify(tool)) == 1}
    return next((item for item in tools if item.role is Role.ESSENTIAL and item.tool not in at_home), None)


def _tool(of: _Dog, phase: Phase, item: KitItem) -> ToolRow:
    known = item.tool in toolkit.catalogue()
    language = of.words.language
    return ToolRow(
        tool=item.tool,
        name=item.name,
        role=item.role.value,
        role_word=of.words.word("role", item.role),
        features=", ".join(toolkit.specification_words(item.specification, language=language)),
        where=_where(of, phase, item.zones),
        why=item.why,
        drawing=toolkit.drawing(item.tool, language=language, described=False) if known else "",
        alt=toolkit.describe(item.tool, language=language) if known else item.name,
    )


def _where(of: _Dog, phase: Phase, zones: Sequence[BodyZone]) -> str:
    return of.words.zones(zones, having=phase.triage.having) if zones else ""


def _week(of: _Dog, phase: Phase) -> Iterator[Block]:
    if phase.week is None:
        return
    kinds = {"session": 2, "touch_up": 1, "": 0}
    days = zip(of.words.weekdays, phase.week.days, strict=True)
    yield WeekStrip(tuple((name, of.say(f"days.{due or 'free'}"), kinds[due]) for name, due in days))
    yield Items(week_lines(phase.week, phase.triage.having, of.words))


def _steps(of: _Dog, phase: Phase) -> Iterator[Block]:
    if phase.week is not None and phase.routine.steps:
        yield _step_block(of, phase, phase.routine.steps)


def _step_block(of: _Dog, phase: Phase, steps: Sequence[RoutineStep]) -> Steps:
    assert of.plan is not None
    roles = {item.tool: item.role for item in phase.kit}
    by_code = {one.code: one for one in of.plan.cautions}
    shown: set[str] = set()
    rows = []
    for step in steps:
        optional = step.tool is not None and roles.get(step.tool) is not Role.ESSENTIAL
        codes = [code for code in step.cautions if code in by_code and code not in shown]
        shown.update(codes)
        rows.append(
            StepRow(
                title=step.title,
                tool=step.tool,
                tag=of.say("step.helpful") if optional else "",
                where=_where(of, phase, step.zones),
                do=step.do,
                done=step.done_when,
                errors=step.errors,
                notes=tuple(note(by_code[code], of.having, of.words) for code in codes),
            )
        )
    return _step_words(of, rows)


def _step_words(of: _Dog, rows: Sequence[StepRow], *, done: str = "") -> Steps:
    return Steps(tuple(rows), of.say("step.where"), done or of.say("step.done"), of.say("step.errors"))


def _ladder(of: _Dog, phase: Phase) -> Iterator[Block]:
    if phase.routine.ladder:
        yield Items(phase.routine.ladder, numbered=True)


def _bath(of: _Dog, phase: Phase) -> Iterator[Block]:
    if phase.routine.bath:
        yield Text(phase.routine.bath)
    if phase.routine.bath_steps:
        yield Items(phase.routine.bath_steps, numbered=True)


def _errors(of: _Dog, phase: Phase) -> Iterator[Block]:
    if phase.week is not None and phase.routine.errors:
        yield Items(phase.routine.errors)


# --- more -------------------------------------------------------------------------------------------------------------


def _map(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    phase = of.plan.now
    leave = phase.triage.left_alone
    rows = [row for row in phase.load if row.zone in care.RISK_ZONES and row.zone in phase.triage.having]
    if not rows:
        return
    yield Picture(dog_map(rows, leave, of.words))
    table = []
    for row in sorted(rows, key=lambda row: (row.zone not in leave, -row.score)):
        added = [of.say(f"load.{name}") for name, _ in row.factors[5:]]
        state = phase.situation.mats.get(row.zone)
        if state not in (None, "none"):
            added.append(of.say("load.found", state=of.words.word("mat_state", str(state))))
        level = of.say("map.leave") if row.zone in leave else of.words.word("risk", row.level)
        table.append((of.words.title(of.words.zone(row.zone)), level, ", ".join(added) or of.say("load.nothing")))
    yield Table(of.words.lines("plan.load.head"), tuple(table), (0.3, 0.2, 0.5))


def _time(of: _Dog) -> Iterator[Block]:
    phase = of.kit_phase
    if phase is None or phase.time is None or phase.week is None:
        return
    yield Text(care.time_words(phase.time, phase.week, of.words.language))
    if phase.time.curve and not phase.time.beyond:
        yield Picture(time_curve(phase.time, phase.situation.measured_mm or of.now_mm, of.words))


def _growth(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    drawing = growth_curve(of.plan.growth, of.words, of.measured)
    if drawing is not None:
        yield Picture(drawing)
    lines = tuple(of.words.title(line) for line in care.growth_words(of.plan.growth, of.words.language))
    if lines:
        yield Items(lines)
    yield from (Note("care", of.words.title(of.words.word("level", "care")), doubt) for doubt in of.plan.doubts)


def _length(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    phases = (of.plan.now, of.plan.after) if of.plan.after is not None else (of.plan.now,)
    texts = dict.fromkeys(phase.length.text for phase in phases if phase is not None and phase.length is not None)
    yield from (Text(text) for text in texts)


def _trial(of: _Dog) -> Iterator[Block]:
    if of.kit_phase is not None and of.kit_phase.routine.trial:
        yield Items(of.kit_phase.routine.trial, numbered=True)


def _decides(of: _Dog) -> Iterator[Block]:
    assert of.plan is not None
    lines = of.plan.now.routine.groomer_decides or of.plan.routine_phase.routine.groomer_decides
    if lines:
        yield Items(lines)


def _owned(of: _Dog) -> Iterator[Block]:
    phase = of.kit_phase
    if phase is None or not of.owned:
        return
    if of.plan is not None and phase is not of.plan.now:
        yield Text(f"{of.say(f'section.{_after_what(of)}')}:")
    pairs = []
    for tool in of.owned:
        found = toolkit.judge_owned(tool, phase.situation, phase.triage, language=of.words.language)
        name = of.words.tool(found.tools[0]) if len(found.tools) == 1 else tool.kind
        pairs.append((of.say("owned.tool", tool=name, verdict=of.say(f"owned.{found.verdict}")), found.why))
    yield Facts(tuple(pairs))


def _later(of: _Dog) -> Iterator[Block]:
    phase = of.kit_phase
    kit = [item for item in phase.kit if item.role in (Role.LATER, Role.AVOID)] if phase else []
    if kit:
        yield Facts(tuple((f"{item.name} ({of.words.word('role', item.role)})", item.why) for item in kit))


def _others(of: _Dog) -> Iterator[Block]:
    """Every tool that nobody named yet, and why not."""
    phase = of.kit_phase
    if phase is None:
        return
    named = {item.tool for item in phase.kit}
    language = of.words.language
    others = [tool for tool in toolkit.catalogue() if tool not in named]
    if others:
        yield Facts(
            tuple(
                (of.words.tool(one), toolkit.why_not(one, phase.situation, phase.triage, language=language))
                for one in others
            )
        )


def _sure(of: _Dog) -> Iterator[Block]:
    found = of.assessment
    if of.said.categories:
        yield Facts(tuple((of.words.title(of.words.coat(one)), of.words.definition("coat", one))
                          for one in of.said.categories))  # fmt: skip
    if found is None or found.category is None or found.length_band is None:
        return
    coat, band, words = found.category, found.length_band, of.words
    coats = [(words.title(words.coat(one)), coat.probabilities[one], one in coat.set) for one in CATEGORIES]
    bands = [(words.title(words.band(one)), band.probabilities[one], one in band.set) for one in BANDS]
    yield _bars(of.say("sure.coats"), sorted(coats, key=lambda row: -row[1]), words)
    yield _bars(of.say("sure.bands"), sorted(bands, key=lambda row: -row[1]), words)
    yield Picture(length_picture(tuple(one for one in BANDS if one in band.set), words))
    yield from _photos(of)


def _bars(caption: str, rows: Sequence[tuple[str, float, bool]], words: Catalogue) -> Bars:
    return Bars(caption, tuple((name, share, percent(share, words), possible) for name, share, possible in rows))


def _photos(of: _Dog) -> Iterator[Block]:
    """What became of each photo."""
    if of.assessment is None or not of.assessment.photos or of.words.language != _ASSESSED_IN:
        return
    lines = []
    for photo in of.assessment.photos:
        why = " ".join(reason.text for reason in photo.reasons)
        lines.append((photo.file, f"{of.say(f'photo.{photo.status}')} {why}".strip()))
    yield Facts(tuple(lines))


def _question(of: _Dog) -> Iterator[Block]:
    question = of.assessment.next_question if of.assessment else None
    if question is not None and of.words.language == _ASSESSED_IN:
        yield Text(question.text, "headline")
        if question.help:
            yield Text(question.help)


def _remarks(of: _Dog) -> Iterator[Block]:
    yield Text(of.remarks) if of.remarks else RuledLines(6)


def _cautions(of: _Dog) -> Iterator[Block]:
    """Every caution with its source, for those who want to check."""
    assert of.plan is not None
    first = catalogue(_ASSESSED_IN)
    rows = tuple(
        (of.words.title(of.words.word("level", one.level)), one.text, source(one, of.words, first))
        for one in of.plan.cautions
    )
    if rows:
        yield Table(of.words.lines("plan.caution.head"), rows, (0.13, 0.55, 0.32))


def _about(of: _Dog) -> Iterator[Block]:
    yield Text(of.say("about.purpose"))
    yield Text(of.say("about.numbers"))
    rules = of.assessment.rules_version if of.assessment else toolkit.rules_version()
    model = of.assessment.model_version if of.assessment else "–"
    yield Text(of.say("about.versions", rules=rules, model=model), "quiet")
