"""What can be looked up: the map of knots, time, growth, length, tools not needed, how sure, sources."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coatclass import care, toolkit
from coatclass.answers import question
from coatclass.contract import Role
from coatclass.planning import Phase
from coatclass.presentation.blocks import Bars, Block, Facts, Items, Note, Picture, RuledLines, Table, Text
from coatclass.presentation.first import SAID_IN_FACTS
from coatclass.presentation.pictures import dog_map, growth_curve, length_picture, time_curve
from coatclass.presentation.wording import Subject, after_what, percent, photos
from coatclass.taxonomy import BANDS, CATEGORIES, BodyZone
from coatclass.triage import bare
from coatclass.words import Catalogue, source_in_language
from coatclass.words import about as about_language

__all__ = [
    "about",
    "cautions",
    "decides",
    "growing",
    "how_sure",
    "later",
    "length_advice",
    "mat_map",
    "next_question",
    "others",
    "owned",
    "remarks",
    "time_needed",
    "trial",
]


def mat_map(of: Subject) -> Iterator[Block]:
    """Where knots begin on this dog, drawn and as a table; numbered, because the levels alone may all be the same."""
    assert of.plan is not None
    phase = of.plan.now
    leave = phase.triage.left_alone
    rows = [row for row in phase.load if row.zone in care.RISK_ZONES or row.zone in leave]
    if not rows or bare(phase.situation):  # nothing to knot
        return
    order = care.ranked(row for row in rows if row.zone not in leave)
    rank = {row.zone: number for number, row in enumerate(order, start=1)}
    levels = {row.level for row in order}
    if len(levels) == 1 and len(order) >= _FIRST_ZONES:
        first = of.words.joined(of.words.zone(row.zone) for row in order[:_FIRST_ZONES])
        level = next(iter(levels))
        yield Text(of.say(f"map.all_{level}", zones=first), "headline")
    yield Picture(dog_map(rows, leave, of.words, rank), dog_map(rows, leave, of.words, rank, compact=True))
    alone = [row for row in rows if row.zone in leave]
    table = [(_numbered(rank.get(row.zone), of.words.title(of.words.zone(row.zone))), *_why(of, phase, row))
             for row in (*alone, *order)]  # fmt: skip
    yield Table(of.words.lines("plan.load.head"), tuple(table), (0.3, 0.2, 0.5))


_FIRST_ZONES = 3


def _numbered(rank: int | None, name: str) -> str:
    return name if rank is None else f"{rank}. {name}"


def _why(of: Subject, phase: Phase, row: care.ZoneLoad) -> tuple[str, str]:
    """The level of a zone, and why."""
    added = [of.say(f"load.{name}") for name in care.mat_reasons(row, phase.load)]
    state = phase.situation.mats.get(row.zone)
    if state not in (None, "none"):
        added.append(of.say("load.found", state=of.words.word("mat_state", str(state))))
    trouble = phase.situation.skin.get(row.zone) or _at_the_ears(phase, row.zone)
    level = of.say("map.leave") if row.zone in phase.triage.left_alone else of.words.word("risk", row.level)
    told = of.words.say(f"triage.why.{trouble}") if trouble else ""
    why = ", ".join(added) or ("" if told else of.say("load.nothing"))
    return level, ". ".join(of.words.title(one) if why and told else one for one in (why, told) if one)


def _at_the_ears(phase: Phase, zone: BodyZone) -> str:
    """The rule of ear trouble where it is about this zone; ear trouble is reported without a place."""
    return "ears" if "ears" in phase.triage.rules and zone in (BodyZone.EARS, BodyZone.BEHIND_EARS) else ""


def time_needed(of: Subject) -> Iterator[Block]:
    """What the coat costs in time, by length."""
    phase = of.kit_phase
    if phase is None or phase.time is None or phase.week is None:
        return
    assert of.plan is not None
    clipped = of.plan.now.triage.comes_off and phase is of.plan.after
    then = phase.situation.measured_mm if clipped else None
    yield Text(care.time_words(phase.time, phase.week, of.words.language, then_mm=then))
    if phase.time.curve and phase.time.may_be_cut and not phase.time.beyond:
        now_mm = phase.situation.measured_mm or of.now_mm
        wide, narrow = (
            time_curve(phase.time, now_mm, of.words, clipped=clipped, compact=compact) for compact in (False, True)
        )
        yield Picture(wide, narrow)


def growing(of: Subject) -> Iterator[Block]:
    """How the length develops, and which measurements are odd."""
    assert of.plan is not None
    drawing = growth_curve(of.plan.growth, of.words, of.measured)
    if drawing is not None:
        yield Picture(drawing, growth_curve(of.plan.growth, of.words, of.measured, compact=True))
    lines = tuple(
        of.words.title(line)
        for line in care.growth_words(
            of.plan.growth, of.words.language, comes_off=of.plan.now.triage.comes_off, cut_on=of.plan.cut_on
        )
    )
    if lines:
        yield Items(lines)
    yield from (Note("care", of.words.title(of.words.word("level", "care")), doubt) for doubt in of.plan.doubts)


def length_advice(of: Subject) -> Iterator[Block]:
    """Which length goes with coat, mats and week, now and after the visit."""
    assert of.plan is not None
    now, after = of.plan.now.length, of.plan.after.length if of.plan.after else None
    # What answers a wish stands before the advice and is said once.
    if now is not None and after is not None and not now.text.endswith(after.text):
        yield Facts(((of.say("section.now"), now.text), (of.say(f"section.{after_what(of)}"), after.text)))
    elif now is not None:
        yield Text(now.text)


def trial(of: Subject) -> Iterator[Block]:
    """Which tool to try first while the coat is uncertain."""
    if of.kit_phase is not None and of.kit_phase.routine.trial:
        yield Items(of.kit_phase.routine.trial, numbered=True)


def decides(of: Subject) -> Iterator[Block]:
    """What stays open until a groomer has touched the dog."""
    assert of.plan is not None
    lines = of.plan.now.routine.groomer_decides or of.plan.routine_phase.routine.groomer_decides
    if lines:
        yield Items(lines)


def owned(of: Subject) -> Iterator[Block]:
    """Which of the tools at home may stay."""
    phase = of.kit_phase
    if phase is None or not of.owned:
        return
    if of.plan is not None and phase is not of.plan.now:
        yield Text(f"{of.say(f'section.{after_what(of)}')}:")
    pairs = []
    for tool in of.owned:
        found = toolkit.judge_owned(tool, phase.situation, phase.triage, language=of.words.language)
        name = of.words.tool(found.tools[0]) if len(found.tools) == 1 else tool.kind
        pairs.append((of.say("owned.tool", tool=name, verdict=of.say(f"owned.{found.verdict}")), found.why))
    yield Facts(tuple(pairs))


def later(of: Subject) -> Iterator[Block]:
    """Tools that have to wait, and those to leave in the shop."""
    phase = of.kit_phase
    kit = [item for item in phase.kit if item.role in (Role.LATER, Role.AVOID)] if phase else []
    if kit:
        yield Facts(tuple((f"{item.name} ({of.words.word('role', item.role)})", item.why) for item in kit))


def others(of: Subject) -> Iterator[Block]:
    """Every tool not named so far, and why."""
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


def how_sure(of: Subject) -> Iterator[Block]:
    """How likely each coat and length is, and how each photo was used."""
    found = of.assessment
    yield from (Text(text) for code, text in of.reasons if code in SAID_IN_FACTS)
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
    yield from photos(of)


def _bars(caption: str, rows: Sequence[tuple[str, float, bool]], words: Catalogue) -> Bars:
    return Bars(caption, tuple((name, share, percent(share, words), possible) for name, share, possible in rows))


def next_question(of: Subject) -> Iterator[Block]:
    """The question whose answer would help most."""
    asked = of.assessment.next_question if of.assessment else None
    if asked is not None:
        spec = question(asked.id, of.words.language)
        yield Text(spec.text, "headline")
        yield Text(spec.help)


def remarks(of: Subject) -> Iterator[Block]:
    """The groomer's remarks, or lines to write them on."""
    yield Text(of.remarks) if of.remarks else RuledLines(6)


def cautions(of: Subject) -> Iterator[Block]:
    """Every caution with its source, for those who want to check."""
    assert of.plan is not None
    rows = tuple(
        (of.words.title(of.words.word("level", one.level)), one.text, source_in_language(one.source, of.words.language))
        for one in of.plan.cautions
    )
    if rows:
        yield Table(of.words.lines("plan.caution.head"), rows, (0.13, 0.55, 0.32))


def about(of: Subject) -> Iterator[Block]:
    """What the plan is, and by which rules and model."""
    unread = about_language(of.words.language).note
    if unread:
        yield Text(unread)
    yield Text(of.say("about.purpose"))
    yield Text(of.say("about.numbers"))
    rules = of.assessment.rules_version if of.assessment else toolkit.rules_version()
    model = of.assessment.model_version if of.assessment else "–"
    yield Text(of.say("about.versions", rules=rules, model=model), "quiet")
