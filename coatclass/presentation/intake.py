"""What an owner reads and signs: what was found, what may appear, both offers, and what was agreed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from coatclass.care import as_said
from coatclass.care.coat import ordered
from coatclass.contract import CoatSituation
from coatclass.intake import (
    Ears,
    Found,
    Job,
    Nails,
    Offer,
    Offers,
    Range,
    Rates,
    Sign,
    TimeModel,
    View,
    assumed,
    mats_by_zone,
    money,
    place_of,
)
from coatclass.presentation.blocks import Block, Facts, Items, Note, Section, Table, Text
from coatclass.presentation.drawing import Drawing, Line
from coatclass.presentation.pictures import found_map
from coatclass.taxonomy import CoatCategory, MatState, Patience
from coatclass.words import Catalogue, catalogue

__all__ = [
    "SIGNED_VIEW",
    "Consent",
    "WhoseDog",
    "choices",
    "consent",
    "map_of",
    "model_lines",
    "named_places",
    "offer_lines",
    "place_name",
    "rests_on",
    "statement",
    "time_words",
    "told_again",
    "told_as_json",
]


_UNDERCOATED = {CoatCategory.ARCTIC, CoatCategory.FUR, CoatCategory.MIXED, CoatCategory.WIRE}


@dataclass(frozen=True)
class WhoseDog:
    """Whose dog it is and who looked at it.

    Attributes:
        age_months: None if nobody knows; ``weight_kg`` likewise.
        phone: how to reach the owner today.
        photos: how many photos of places are kept with it.
    """

    dog: str
    breed: str
    owner: str
    phone: str
    by: str
    day: date
    age_months: float | None
    weight_kg: float | None
    photos: int = 0


def place_name(key: str, words: Catalogue) -> str:
    """A place in words: ``legs, left side``."""
    view, zone = place_of(key)
    return words.say("map.at", zone=words.zone(zone), view=words.say(f"view.{view}"))


def named_places(found: Found, language: str) -> list[tuple[str, str, str]]:
    """(key, place, what) of every place at which something was found, in the order of the views."""
    words = catalogue(language, "intake")
    rows = []
    for key in sorted(
        found.places, key=lambda key: (list(View).index(place_of(key)[0]), list(found.places).index(key))
    ):
        place = found.places[key]
        said = [words.word("mat_state", place.mats)] if place.mats not in (None, MatState.NONE) else []
        said += [words.say(f"sign.{sign}") for sign in place.signs]
        if said:
            rows.append((key, words.title(place_name(key, words)), words.joined(said)))
    return rows


def map_of(found: Found, language: str) -> Drawing:
    """The dog from four sides with what was found."""
    words = catalogue(language, "intake")
    marks = {
        key: (None if place.mats is None else place.mats.severity, bool(place.signs))
        for key, place in found.places.items()
        if place.signs or place.mats not in (None, MatState.NONE)
    }
    return found_map(marks, {view: words.say(f"view.{view}") for view in View}, words)


# --- offers -----------------------------------------------------------------------------------------------------------


def offer_lines(offer: Offer, answer: Offers, rates: Rates | None, language: str) -> list[tuple[str, str]]:
    """One offer as (name, value) pairs: minutes, price and what it does to the coat; of a closed offer only why.

    Args:
        offer: one of the two in ``answer``.
        rates: the salon's prices; None if it has none yet.
        language: of the words.
    """
    words = catalogue(language, "intake")
    if not offer.open:
        return [(words.say("offer.closed"), _why(offer, answer, words))]
    lines = [(words.say("offer.minutes"), _time(offer, words)), (words.say("offer.cost"), _cost(offer, rates, words))]
    if offer.out:
        lines.append((words.say("offer.out"), words.joined(map(words.zone, offer.out))))
        if offer.de_matting is not None:
            lines.append((words.title(words.say("offer.mats_minutes")), words.minutes(as_said(offer.de_matting))))
    if offer.to_skin and not answer.comes_off:
        lines.append((words.say("offer.to_skin"), words.joined(map(words.zone, offer.to_skin))))
    clipped = [zone for zone in offer.off if zone not in offer.to_skin]
    if clipped and offer.work != "short_clip":
        lines.append((words.say("offer.off"), words.joined(map(words.zone, clipped))))
    if offer.parts > 1:
        most = words.minutes(answer.limit.table)
        lines.append((words.say("offer.limit"), words.say("offer.parts", n=offer.parts, most=most)))
    if offer.ask_vet:
        lines.append((words.title(words.word("who", "vet")), words.say("offer.ask_vet")))
    return lines


def _why(offer: Offer, answer: Offers, words: Catalogue) -> str:
    minutes = "" if offer.de_matting is None else words.minutes(_above(offer.de_matting, answer.limit.de_matting))
    return words.say(f"why.{offer.why}", minutes=minutes, most=words.minutes(answer.limit.de_matting))


def _above(minutes: float, most: float) -> float:
    """Minutes as they are said; to the minute above where rounding would hide that they are more than the most."""
    said = as_said(minutes)
    return said if minutes <= most or said > most else float(math.ceil(minutes))


def _time(offer: Offer, words: Catalogue) -> str:
    if offer.minutes is None:
        return words.say("offer.no_minutes")
    return range_words(offer.minutes, words)


def range_words(minutes: Range, words: Catalogue) -> str:
    """Minutes with their range."""
    low, high = (words.number(as_said(value), 0) for value in (minutes.low, minutes.high))
    return words.say("offer.range", minutes=words.minutes(as_said(minutes.middle)), low=low, high=high)


def _cost(offer: Offer, rates: Rates | None, words: Catalogue) -> str:
    if rates is None:
        return words.say("offer.no_cost")
    if offer.cost is None:
        return words.say("offer.no_minutes")
    low, high = (money(value, rates, words) for value in offer.cost)
    return low if low == high else f"{low} – {high}"


def rests_on(visits: int, language: str) -> str:
    """On how many visits the minutes rest."""
    words = catalogue(language, "intake")
    return words.say({0: "offer.rests_none", 1: "offer.rests_one"}.get(visits, "offer.rests"), n=visits)


def model_lines(model: TimeModel, unused: int, language: str, *, slips: int = 0) -> list[str]:
    """What a salon's minutes rest on, and what its visits have taught, in sentences.

    Args:
        model: fitted to the salon's finished visits.
        unused: how many visits it could not use.
        language: of the sentences.
        slips: how many were left out because their minutes look mistyped.
    """
    words = catalogue(language, "intake")
    lines = [words.say("rates.model_some", n=model.visits) if model.visits else words.say("rates.model_none")]
    lines += [words.say("rates.model_unused", n=unused)] if unused else []
    lines += [words.say("rates.model_slips", n=slips)] if slips else []
    for work in ("groom", "short_clip"):
        example = Job(work, _EXAMPLE, 40.0, {}, {})
        found = model.minutes(example)
        example_words = range_words(found, words)
        lines.append(words.say("rates.model_example", work=words.say(f"work.{work}"), minutes=example_words))
        if model.visits and work == "groom":
            factor = words.number(found.middle / assumed(example), 2)
            lines.insert(1, words.say("rates.model_factor", n=factor))
    return lines


def time_words(visits: int, dogs: int, inside: float, off: float, *, language: str) -> str:
    """How well the predicted minutes turned out.

    Args:
        visits, dogs: how many were compared.
        inside: share of visits whose minutes lay inside the predicted range, [0, 1].
        off: median relative error, 0.2 for 20 %.
    """
    words = catalogue(language, "intake")
    return words.say("rates.holds", n=visits, dogs=dogs, inside=round(100 * inside), off=round(100 * off))


_EXAMPLE = CoatSituation(
    categories=frozenset({CoatCategory.CURLY}), bands=frozenset(), patience=Patience.TOLERATES, weight_kg=10.0
)


def choices(answer: Offers, language: str) -> list[tuple[str, str]]:
    """(code, words) of what an owner may agree to."""
    words = catalogue(language, "intake")
    open_ = [offer for offer in (answer.keep, answer.clip) if offer.open]
    rows = [
        (str(offer.kind), words.say(f"offer.choose_{offer.kind}", work=words.say(f"work.{offer.work}")))
        for offer in open_
    ]
    vet = answer.vet_first or answer.left_alone or answer.clip.ask_vet or answer.keep.ask_vet
    return [*rows, *([("vet", words.say("offer.choose_vet"))] if vet else []), ("none", words.say("offer.choose_none"))]


# --- the statement ----------------------------------------------------------------------------------------------------


def statement(
    answer: Offers, found: Found, subject: WhoseDog, *, rates: Rates | None, language: str
) -> tuple[Section, ...]:
    """Everything that the owner is told before signing.

    Args:
        answer: both offers, and what limits them.
        found: what the groomer found on arrival.
        subject: whose dog it is.
        rates: the salon's prices; None if it has none yet.
        language: the owner's.
    """
    words = catalogue(language, "intake")
    sections = [
        ("found", words.say("say.found"), _found(answer, found, subject, words)),
        ("vet", words.say("say.vet_title" if answer.vet_first else "say.for_vet_title"), _vet(answer, found, words)),
        ("under", words.say("say.under_title"), _under(answer, words)),
        ("offers", words.say("say.offers"), _both(answer, rates, words)),
        ("limit", words.say("say.limit_title"), _limit(answer, found, words)),
        ("agreed", words.say("say.agreed"), _agreed(subject, words)),
    ]
    return tuple(Section(id_, title, "first", tuple(blocks)) for id_, title, blocks in sections if blocks)


def _found(answer: Offers, found: Found, subject: WhoseDog, words: Catalogue) -> list[Block]:
    pairs = [(words.say("say.dog"), subject.dog), (words.say("say.owner"), subject.owner)]
    pairs += [(words.say("say.breed"), subject.breed)] if subject.breed else []
    if subject.weight_kg is not None:
        pairs.append((words.say("say.weight"), f"{words.number(subject.weight_kg)} kg"))
    pairs.append((words.say("say.age"), age_words(subject.age_months, words)))
    named = named_places(found, words.language)
    pairs += [(place, what) for _, place, what in named]
    for name, title in (("ears", "ear"), ("nails", "nail")):
        value = getattr(found, name)
        pairs += [(words.say(f"{title}.title"), words.say(f"{title}.{value}"))] if value else []
    if found.health:
        pairs.append((words.say("say.health"), words.joined(words.say(f"health.{one}") for one in found.health)))
    if found.patience:
        pairs.append((words.say("say.behaviour"), words.word("patience", found.patience)))
    blocks: list[Block] = [Facts(tuple(pairs))]
    lines = [] if named else [words.say("say.nowhere")]
    lines.append(words.say("say.whole" if found.looked_over else "say.not_whole"))
    before = _known_before(answer.situation, found, words)
    lines += [words.say("say.before", what=words.joined(before))] if before else []
    lines += [words.say("say.photos", n=subject.photos)] if subject.photos else []
    blocks.append(Text(" ".join(lines)))
    blocks += [Text(found.remarks)] if found.remarks else []
    return blocks


def _known_before(dog: CoatSituation, found: Found, words: Catalogue) -> list[str]:
    """What the offers reckon with though nobody saw it on arrival: mats and trouble that were told earlier."""
    seen, signs = mats_by_zone(found), {sign for place in found.places.values() for sign in place.signs}
    worse = {zone: state for zone, state in dog.mats.items() if state.severity > seen.get(zone, MatState.NONE).severity}
    said = [f"{words.zone(zone)}: {words.word('mat_state', worse[zone])}" for zone in ordered(worse)]
    told = [sign for sign in Sign if sign in dog.skin_trouble and sign not in signs]
    said += [words.say(f"sign.{sign}") for sign in told]
    ears = "ear_trouble" in dog.skin_trouble and found.ears is not Ears.TROUBLE
    return [*said, words.say("ear.trouble")] if ears else said


def age_words(age_months: float | None, words: Catalogue) -> str:
    """An age as people say it."""
    if age_months is None:
        return words.say("limit.age_unknown")
    if age_months < 24:
        return words.say("say.months", n=int(age_months))
    return words.say("say.years", n=int(age_months // 12))


def _vet(answer: Offers, found: Found, words: Catalogue) -> list[Block]:
    blocks: list[Block] = []
    if answer.vet_first:
        why = words.joined(words.say(f"sign.{rule}") for rule in answer.vet_first)
        blocks.append(Note("stop", _level(words, "stop"), words.say("say.vet", why=why)))
    if answer.left_alone:
        zones = words.joined(map(words.zone, answer.left_alone))
        blocks.append(Note("stop", _level(words, "stop"), words.say("say.vet_zones", zones=zones)))
    if not answer.bath:
        blocks.append(Note("stop", _level(words, "stop"), words.say("say.no_bath")))
    if answer.lumps:
        zones = words.joined(map(words.zone, answer.lumps))
        blocks.append(Note("care", _level(words, "care"), words.say("say.lumps", zones=zones)))
    if found.nails is Nails.GROWN_IN:
        blocks.append(Note("stop", _level(words, "stop"), words.say("say.grown_in")))
    if found.health:
        blocks.append(Note("care", _level(words, "care"), words.say("say.health_first")))
    return blocks


def _level(words: Catalogue, level: str) -> str:
    return f"{words.title(words.word('level', level))}."


def _under(answer: Offers, words: Catalogue) -> list[Block]:
    """What nobody can see yet, and that the coat may have to come off."""
    mats = answer.situation.mats
    worked = {*answer.keep.out, *answer.keep.off, *answer.clip.off}
    matted = ordered(zone for zone in worked if mats[zone].severity >= MatState.MATS.severity)
    hidden = answer.felted or matted
    if not hidden:  # through loose tangles one sees the skin
        return []
    blocks: list[Block] = []
    if answer.comes_off and not answer.vet_first:
        zones = words.joined(map(words.zone, answer.felted))
        blocks.append(Note("care", _level(words, "care"), words.say("say.comes_off", zones=zones)))
    blocks.append(Text(words.say("say.under_lead", zones=words.joined(map(words.zone, hidden)))))
    blocks.append(Items(words.lines("say.under")))
    lines = [words.say("say.under_after")]
    lines += [] if answer.comes_off else [words.say("say.may_come_off")]
    coats = answer.situation.categories
    lines += [words.say("say.regrowth")] if coats & _UNDERCOATED else []
    lines += [words.say("say.stripped")] if CoatCategory.WIRE in coats else []
    return [*blocks, Text(" ".join(lines))]


def _both(answer: Offers, rates: Rates | None, words: Catalogue) -> list[Block]:
    rows = []
    for offer in (answer.keep, answer.clip):
        name = words.say(f"offer.{offer.kind}")
        if not offer.open:
            rows.append((name, words.say("offer.closed"), "", _why(offer, answer, words)))
            continue
        means = [
            f"{words.say(f'work.{offer.work}')}.",
            *(f"{one}: {what}." for one, what in _extra(offer, answer, rates, words)),
        ]
        rows.append((name, _time(offer, words), _cost(offer, rates, words), " ".join(means).replace("..", ".")))
    head = tuple(words.say(f"say.{one}") for one in ("way", "takes", "costs", "means"))
    table = Table(head=head, rows=tuple(rows), shares=(0.14, 0.22, 0.16, 0.48))
    return [table, *([Text(rests_on(answer.visits, words.language), "quiet")] if _any_minutes(answer) else [])]


def _extra(offer: Offer, answer: Offers, rates: Rates | None, words: Catalogue) -> list[tuple[str, str]]:
    """What is said of an offer besides time and price."""
    return offer_lines(offer, answer, rates, words.language)[2:]


def _any_minutes(answer: Offers) -> bool:
    return any(offer.minutes is not None for offer in (answer.keep, answer.clip))


def _limit(answer: Offers, found: Found, words: Catalogue) -> list[Block]:
    if answer.vet_first:
        return []
    why = words.joined(words.say(f"limit.{rule}") for rule in answer.limit.rules)
    most = words.minutes(answer.limit.de_matting)
    items = [words.say("say.limit_none", why=why)] if not answer.limit.de_matting else []
    if answer.limit.de_matting and any(offer.open and offer.out for offer in (answer.keep, answer.clip)):
        items.append(words.say("say.limit", most=most, why=why))
    items += [words.say("say.table", most=words.minutes(answer.limit.table)), words.say("say.stop")]
    return [Items(tuple(items))]


def _agreed(subject: WhoseDog, words: Catalogue) -> list[Block]:
    items = [*words.lines("say.promise"), *([words.say("say.phone", phone=subject.phone)] if subject.phone else [])]
    return [Items(tuple(items)), Text(words.say("say.law"), "quiet")]


# --- kept with the record ---------------------------------------------------------------------------------------------

_KINDS: Mapping[str, type] = {one.kind: one for one in (Text, Items, Facts, Note, Table)}


def told_as_json(sections: Sequence[Section]) -> list[dict[str, Any]]:
    """Sections as they were told, to be kept word for word."""
    return [
        {"id": one.id, "title": one.title, "blocks": [{"kind": block.kind, **asdict(block)} for block in one.blocks]}
        for one in sections
    ]


def told_again(kept: Sequence[Mapping[str, Any]]) -> tuple[Section, ...]:
    """Rebuild from :func:`told_as_json`."""
    return tuple(Section(one["id"], one["title"], "first", tuple(map(_block, one["blocks"]))) for one in kept)


def _block(row: Mapping[str, Any]) -> Any:
    values = {name: _tuples(value) for name, value in row.items() if name != "kind"}
    return _KINDS[row["kind"]](**values)


def _tuples(value: Any) -> Any:
    return tuple(_tuples(one) for one in value) if isinstance(value, list) else value


Stroke = Sequence[tuple[float, float]]
SIGNED_VIEW = (1000.0, 420.0)
"""Width and height of the field in which people sign; points of a signature lie in it."""


@dataclass(frozen=True)
class Consent:
    """A record as it is shown and printed, signed or not, in the language of whoever signs.

    Attributes:
        title, lead: its head.
        sections: what was told; what was chosen stands before the last of them.
        picture: the dog with what was found.
        options: (whether it was chosen, words).
        signed: who signed how and when; empty while nobody did.
        signature: what was drawn; None unless somebody drew.
        notes: version and digest.
    """

    language: str
    day: date
    title: str
    lead: str
    sections: tuple[Section, ...]
    picture: Drawing
    options: tuple[tuple[bool, str], ...]
    choose: str
    signed: str
    sign_here: str
    signature: Drawing | None
    notes: tuple[str, ...]


def consent(
    sections: Sequence[Section],
    found: Found,
    *,
    language: str,
    dog: str,
    by: str,
    day: date,
    options: Sequence[tuple[str, str]],
    chosen: str = "",
    signed: str = "",
    strokes: Sequence[Stroke] = (),
    notes: Sequence[str] = (),
) -> Consent:
    """Put together what is shown and printed, signed or not.

    Args:
        sections: what was told, by :func:`statement`.
        found: for the picture of the dog.
        language: of whoever signs.
        dog, by, day: whose dog, who looked at it, and when.
        options: (code, words) of what could be chosen; ``chosen`` is the code of what was.
        signed: who signed and when, in words; empty while nobody has.
        strokes: what was drawn as a signature.
        notes: version and digest; a draft carries its own note instead.
    """
    words = catalogue(language, "intake")
    return Consent(
        language=words.language,
        day=day,
        title=words.say("say.title"),
        lead=words.say("say.of", dog=dog, day=words.day(day), by=by),
        sections=tuple(sections),
        picture=map_of(found, language),
        options=tuple((code == chosen, said) for code, said in options),
        choose=words.say("offer.choose"),
        signed=signed,
        sign_here=words.say("say.sign_here"),
        signature=_signature(strokes, words) if strokes else None,
        notes=tuple(notes) if signed else (words.say("say.draft"),),
    )


def _signature(strokes: Sequence[Stroke], words: Catalogue) -> Drawing:
    lines = tuple(Line(tuple((float(x), float(y)) for x, y in stroke), 6.0) for stroke in strokes if len(stroke) > 1)
    return Drawing((0, 0, *SIGNED_VIEW), lines, words.say("sign_by.title"), words.say("say.signed"))
