"""What must be read at once: verdict, stops, now, the visit, after; kit and routine of a phase."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coatclass import care, toolkit
from coatclass.contract import Caution, KitItem, Role, RoutineStep, Who
from coatclass.planning import Phase, Plan
from coatclass.presentation._frames import BRUSHING, COMBING, frame
from coatclass.presentation.blocks import (
    Block,
    Facts,
    Frames,
    Items,
    Note,
    StepRow,
    Steps,
    Text,
    ToolRow,
    Tools,
    WeekStrip,
)
from coatclass.presentation.wording import (
    Subject,
    ask_line,
    at_the_groomers,
    entry,
    essentials,
    note,
    photos,
    same_work,
    tool_name,
    usable,
    week_lines,
    when,
    who_is_asked,
)
from coatclass.taxonomy import BodyZone
from coatclass.triage import hairless

__all__ = [
    "after",
    "bath",
    "besides",
    "changes",
    "dates",
    "errors",
    "frames",
    "grown",
    "kit",
    "ladder",
    "steps",
    "stops",
    "training",
    "until_the_visit",
    "verdict",
    "visit",
    "week",
]

SAID_IN_FACTS = frozenset({"measured"})
"""Reasons that only say again what the facts beside them say; they stand with what can be looked up."""

_LINED, _COMB_TEST = frozenset({"line_brush", "line_firm", "line_pin"}), "comb_to_skin"
"""Strokes that are shown in frames."""

RULE_OF_THE_BATH = "bath_order"
"""The caution that the routine's own rule of the bath says."""


def verdict(of: Subject) -> Iterator[Block]:
    """Which coat, how long, how sure, and why."""
    pairs = []
    if of.breed:
        pairs.append((of.say("coat.breed"), of.breed))
    if of.parents:
        pairs.append((of.say("coat.parents"), of.words.joined(of.parents)))
    if of.said.categories:
        pairs += [(of.say("coat.kind"), of.said.kind), (of.say("coat.sure"), of.said.how_sure)]
    if of.said.others:
        pairs.append((of.say("coat.open"), of.say("coat.others", coats=of.words.title(of.said.others))))
    if of.plan is not None:
        situation = of.plan.now.situation
        pairs.append((of.say("coat.length"), _length(of, of.plan)))
        if situation.weight_kg is not None:
            pairs.append((of.say("coat.weight"), of.say("coat.kg", kg=of.words.number(situation.weight_kg))))
    if pairs:
        yield Facts(tuple(pairs))
    yield from (Text(text) for code, text in of.reasons if code not in SAID_IN_FACTS and not said_of_others(of, code))
    if of.plan is None:
        yield Text(of.say("verdict.no_plan"))
        yield from photos(of)


def _length(of: Subject, plan: Plan) -> str:
    """The length on the back: measured, estimated, or between which limits where several bands are possible."""
    situation = plan.now.situation
    if situation.measured_mm is not None:
        return of.say("coat.measured", mm=of.words.mm(situation.measured_mm))
    if hairless(situation):
        return of.say("coat.bare_length")
    if plan.growth.measured or len(situation.bands) == 1:
        return of.say("coat.likely", mm=of.words.about_mm(plan.growth.now_mm))
    low, high = care.length_limits_mm(situation)
    if high is None:
        return of.say("coat.longer", low=of.words.mm(low)) if low else of.say("coat.any_length")
    if not low:
        return of.say("coat.shorter", high=of.words.mm(high))
    return of.say("coat.between", range=of.words.mm_range(low, high))


def said_of_others(of: Subject, code: str) -> bool:
    """Whether a reason only names again the coats that can't be ruled out."""
    return code == "narrowed" and bool(of.said.others)


def stops(of: Subject) -> Iterator[Block]:
    """What has to stop before anything else: the hold and the stop rules."""
    assert of.plan is not None
    if of.plan.now.routine.hold:
        yield Note("stop", of.words.title(of.words.word("level", "stop")), of.plan.now.routine.hold)
    yield from (note(one, of.having, of.words) for one in of.plan.cautions if one.level == "stop")


def until_the_visit(of: Subject) -> Iterator[Block]:
    """What is safe until the visit; steps of a dog that is brushed at once stand in their own section."""
    assert of.plan is not None
    phase = of.plan.now
    if phase.week is None and phase.routine.steps:
        yield _step_block(of, phase, phase.routine.steps)
    yield from map(Text, _where_to_look(of, phase))
    if of.uncertain and not of.plan.visit and phase.week is not None:
        yield Items(of.words.lines("plan.now.safe"))


def _where_to_look(of: Subject, phase: Phase) -> Iterator[str]:
    """What has to be looked for, because nobody has said where it is."""
    for trouble in sorted(of.unplaced):
        if of.words.has(f"plan.now.where_{trouble}"):
            yield of.say(f"now.where_{trouble}")
        elif not phase.triage.session.open:
            yield of.say("now.where")
            return


def training(of: Subject, phase: Phase) -> Iterator[Block]:
    """Getting used to the brush: seconds a day, and for how many days."""
    if not phase.training:
        return
    yield Text(of.say("training.why" if phase.trains_first else "training.why_puppy"))
    rows, day = [], 1
    for one in phase.training:
        last = day + one.days - 1
        days = of.say("training.day" if last == day else "training.days", first=day, last=last)
        title = of.say("training.step", days=days, seconds=of.words.number(one.seconds, 0))
        rows.append(StepRow(title, "", one.do, one.go_on_when))
        day = last + 1
    yield _step_words(of, rows, done=of.say("training.go_on"))
    yield Items(tuple(of.words.say(f"care.caution.{code}") for code in care.training_cautions()))


def visit(of: Subject) -> Iterator[Block]:
    """What to tell or ask at the vet's and the groomer's."""
    assert of.plan is not None
    both = who_is_asked(of) == "both"
    for who in (Who.VET, Who.GROOMER):
        asked = tuple(ask_line(ask, of.having, of.words) for ask in of.plan.visit if ask.who is who)
        if both:
            yield Text(of.words.title(of.say(f"visit.{who}")), "headline")
        if asked:
            yield Items(asked)
    if at_groomers := at_the_groomers(of.plan, of.words, uncertain=of.uncertain):
        yield Items(at_groomers)


def after(of: Subject) -> Iterator[Block]:
    """What comes after the visit or the training, in short."""
    assert of.plan is not None and of.plan.after is not None
    phase = of.plan.after
    if not of.plan.now.triage.shopping.open:
        yield Text(of.say("after.buy_nothing" if of.plan.visit else "after.buy_nothing_training"), "headline")
    pairs = []
    if same_work(of.plan):
        more = phase.triage.cleared(comb=True) - of.plan.now.triage.cleared(comb=True)
        key = "same_and" if more else "same"
        yield Text(of.say(f"after.{key}", zones=of.words.zones(more, having=phase.triage.having)))
    if of.plan.now.triage.comes_off and phase.situation.measured_mm is not None:
        pairs.append((of.say("coat.length"), of.say("after.length", mm=of.words.mm(phase.situation.measured_mm))))
    pairs += _kit_and_week(of, phase, kit=not same_work(of.plan))
    if pairs:
        yield Facts(tuple(pairs))


def changes(of: Subject) -> Iterator[Block]:
    """When a puppy's coat has to be looked at again."""
    assert of.plan is not None
    yield Text(of.say("changes.why"))
    yield Items(tuple(of.say("changes.day", day=of.words.day(day)) for day in of.plan.growth.look_again))


def grown(of: Subject) -> Iterator[Block]:
    """The puppy's kit and week as an adult, in short."""
    assert of.plan is not None and of.plan.grown is not None
    phase = of.plan.grown
    yield Text(of.say("grown.if"))
    if pairs := tuple(_kit_and_week(of, phase)):
        yield Facts(pairs)


def _kit_and_week(of: Subject, phase: Phase, *, kit: bool = True) -> Iterator[tuple[str, str]]:
    """The tools that a phase can't do without, and how often it works."""
    tools = essentials(phase, of.words) if kit else ""
    if tools:
        yield of.words.title(of.words.word("role", Role.ESSENTIAL)), tools
    if phase.week is not None:
        yield of.say("section.week"), week_lines(phase.week, phase.triage.having, of.words)[0]


def dates(of: Subject) -> Iterator[Block]:
    """What goes into the calendar, and when."""
    assert of.plan is not None
    entries = [entry(event, of.plan, of.said.dog, of.words, uncertain=of.uncertain) for event in of.plan.events]
    if entries:
        yield Facts(tuple((of.words.title(when(one.event, of.words)), one.title) for one in entries))


def besides(of: Subject, level: str) -> Iterator[Block]:
    """The cautions of a level that are shown neither at a step nor at the bath."""
    assert of.plan is not None
    phases = [phase for phase in (of.plan.now, of.plan.after) if phase is not None]
    said = {code for phase in phases for step in phase.routine.steps for code in step.cautions}
    if any(phase.training for phase in phases):
        said |= set(care.training_cautions())
    if any(phase.routine.bath_steps for phase in phases):
        said |= {one.code for one in of.plan.cautions if one.place == "bath"}
    wanted = (one for one in of.plan.cautions if one.level == level and one.code not in said)
    yield from (note(one, of.having, of.words) for one in wanted)


# --- kit and routine of a phase ---------------------------------------------------------------------------------------


def kit(of: Subject, phase: Phase) -> Iterator[Block]:
    """The tools to have in a phase, in the order of work; those already shown in today's kit are only named."""
    assert of.plan is not None
    tools, now = usable(phase), of.plan.now
    shown = {item.tool for item in usable(now)} if phase is not now else set()
    new = [item for item in tools if item.tool not in shown]
    if len(new) < len(tools):
        known = of.words.joined(tool_name(item, of.words) for item in tools if item.tool in shown)
        yield Text(of.say("kit.as_now", tools=known))
    first = None if shown else _first_to_buy(of, tools)
    if first is not None:
        key = "kit.first" if phase is now else "kit.first_then"
        yield Text(of.say(key, tool=tool_name(first, of.words)), "headline")
    if phase is now and phase.trains_first and len(tools) > 1:
        yield Text(of.say("kit.training"))
    if new:
        yield Tools(tuple(_tool(of, phase, item) for item in new), of.say("step.where"), of.say("kit.features"))


def _first_to_buy(of: Subject, tools: Sequence[KitItem]) -> KitItem | None:
    """The first needed tool, in the order of work, that is not at home."""
    at_home = {found[0] for tool in of.owned if len(found := toolkit.identify(tool)) == 1}
    return next((item for item in tools if item.role is Role.ESSENTIAL and item.tool not in at_home), None)


def _tool(of: Subject, phase: Phase, item: KitItem) -> ToolRow:
    known = item.tool in toolkit.catalogue()
    language = of.words.language
    return ToolRow(
        tool=item.tool,
        name=item.name,
        role=item.role.value,
        role_word=of.words.word("role", item.role),
        features=", ".join(toolkit.specification_words(item.specification, tool=item.tool, language=language)),
        where=_where(of, phase, item.zones),
        why=item.why,
        drawing=toolkit.drawing(item.tool, language=language, described=False) if known else "",
        alt=toolkit.describe(item.tool, language=language) if known else item.name,
    )


def _where(of: Subject, phase: Phase, zones: Sequence[BodyZone]) -> str:
    return of.words.zones(zones, having=phase.triage.having) if zones else ""


def week(of: Subject, phase: Phase) -> Iterator[Block]:
    """How often to work in a phase."""
    if phase.week is None:
        return
    kinds = {"session": 2, "touch_up": 1, "": 0}
    days = zip(of.words.weekdays, phase.week.days, strict=True)
    yield WeekStrip(tuple((name, of.say(f"days.{due or 'free'}"), kinds[due]) for name, due in days))
    yield Items(week_lines(phase.week, phase.triage.having, of.words))
    too_much = phase.time is not None and phase.time.given is not None and phase.time.fits is False
    if too_much and phase.length is not None:
        yield Text(phase.length.text)


def steps(of: Subject, phase: Phase) -> Iterator[Block]:
    """What to do in a phase, step by step."""
    if phase.week is not None and phase.routine.steps:
        yield _step_block(of, phase, phase.routine.steps)


def frames(of: Subject, phase: Phase) -> Iterator[Block]:
    """The strokes of a phase as pictures, where there is a parting to be made."""
    if phase.week is None:
        return
    strokes = {step.technique for step in phase.routine.steps}
    wanted = (*(BRUSHING if strokes & _LINED else ()), *(COMBING if _COMB_TEST in strokes else ()))
    if wanted:
        pictures = [frame(name, of.words) for name in wanted]
        yield Frames(tuple((picture, picture.title) for picture in pictures))


def _step_block(of: Subject, phase: Phase, steps: Sequence[RoutineStep]) -> Steps:
    assert of.plan is not None
    roles = {item.tool: item.role for item in phase.kit}
    by_code = {one.code: one for one in of.plan.cautions}
    now = of.plan.now.routine.steps if phase is not of.plan.now else ()
    told = {(step.title, step.do, step.done_when) for step in now}
    shown = {code for step in now for code in step.cautions}
    rows = []
    for step in steps:
        optional = step.tool is not None and roles.get(step.tool) is not Role.ESSENTIAL
        codes = [code for code in step.cautions if code in by_code]
        notes = [one for code in codes if (one := _at_step(of, by_code[code], again=code in shown)) is not None]
        shown.update(codes)
        rows.append(
            StepRow(
                title=step.title,
                tool=step.tool,
                tag=of.say("step.helpful") if optional else "",
                where=_where(of, phase, step.zones),
                do=of.say("step.as_now") if (again := (step.title, step.do, step.done_when) in told) else step.do,
                done="" if again else step.done_when,
                errors=() if again else step.errors,
                notes=tuple(notes),
            )
        )
    return _step_words(of, rows)


def _at_step(of: Subject, caution: Caution, *, again: bool) -> Note | None:
    """A caution where it matters: the whole of it once, and in short at each further step if it has words for that."""
    if not again:
        return note(caution, of.having, of.words)
    key = f"care.caution.{caution.code}_again"
    return (
        note(caution.model_copy(update={"text": of.words.say(key)}), of.having, of.words) if of.words.has(key) else None
    )


def _step_words(of: Subject, rows: Sequence[StepRow], *, done: str = "") -> Steps:
    return Steps(tuple(rows), of.say("step.where"), done or of.say("step.done"), of.say("step.errors"))


def ladder(of: Subject, phase: Phase) -> Iterator[Block]:
    """What may be tried at a loose knot."""
    if phase.routine.ladder:
        yield Items(phase.routine.ladder, numbered=True)


def bath(of: Subject, phase: Phase) -> Iterator[Block]:
    """The bath day of a phase with its cautions, or why there is none."""
    assert of.plan is not None
    if phase.routine.bath:
        yield Text(phase.routine.bath)
    if phase.routine.bath_steps:
        yield Items(phase.routine.bath_steps, numbered=True)
        at_the_bath = (one for one in of.plan.cautions if one.place == "bath" and one.level != "stop")
        yield from (note(one, of.having, of.words) for one in at_the_bath if one.code != RULE_OF_THE_BATH)


def errors(of: Subject, phase: Phase) -> Iterator[Block]:
    """What usually goes wrong with the whole routine."""
    if phase.week is not None and phase.routine.errors:
        yield Items(phase.routine.errors)
