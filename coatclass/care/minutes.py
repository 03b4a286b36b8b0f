"""Minutes a week, the week itself, and which length goes with them. Coefficients: ``data/time.toml``.

The steady week is meant: loose knots are out, the routine runs.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from coatclass.care.coat import (
    CANNOT_BEAR,
    DOUBLE_COAT,
    PUPPY,
    categories,
    data,
    length_mm,
    likely,
    ordered,
    rounds_a_week,
    sessions_for,
    standard_mm,
)
from coatclass.care.risk import RISK_ZONES, MatRisk
from coatclass.contract import CoatSituation, LengthAdvice, Triage, Week, Who
from coatclass.errors import InputError
from coatclass.taxonomy import BodyZone, CoatCategory
from coatclass.triage import hairless, likely_coats, toolless
from coatclass.words import catalogue

__all__ = [
    "TimeBudget",
    "as_said",
    "body_surface_m2",
    "combing_minutes",
    "density",
    "length_advice",
    "may_be_cut",
    "slower",
    "some_are_cut",
    "spread",
    "time_budget",
    "time_words",
    "week_of",
]

Limit = Literal["week", "dog", "nothing"]


@dataclass(frozen=True)
class TimeBudget:
    """What the coat costs in time and what fits.

    Attributes:
        surface_m2: body surface, m2.
        minutes: minutes a week at the present length; ``low`` and ``high`` say how far it may be off.
        sittings: sittings a week; ``sitting_minutes``: length of each, whole minutes, never longer than the dog takes.
        touch_up_minutes: length of going over the zones at risk once, whole minutes.
        dog_bears: the week's work fits into sittings that the dog takes.
        beyond: the work is more than any owner can do; the minutes are then cut off at that limit.
        given: minutes a week that the owner will give, None if nobody said.
        fits: the present length fits week and dog; None if nobody said how much time there is and the dog can take it.
        may_be_cut: every coat that is still possible may be cut to a length, and nothing forbids it.
        longest_mm: the longest length that fits, mm; None if even the shortest does not.
        limit: what sets the longest length.
        wish_mm, wish_minutes, wish_fits: the owner's wish, what it costs, whether it fits.
        curve: (length mm, minutes a week), lengths rising.
    """

    surface_m2: float
    minutes: float
    low: float
    high: float
    sittings: int
    sitting_minutes: float
    touch_up_minutes: float
    dog_bears: bool
    beyond: bool
    given: float | None
    fits: bool | None
    may_be_cut: bool
    longest_mm: int | None
    limit: Limit
    wish_mm: float | None
    wish_minutes: float | None
    wish_fits: bool | None
    curve: tuple[tuple[float, float], ...]


def body_surface_m2(weight_kg: float) -> float:
    """Body surface of a dog in m2 from its weight in kg: 0.101 x kg^(2/3), the veterinary handbooks' formula.

    Raises:
        InputError: for a weight that no dog has.
    """
    if not 0.2 <= weight_kg <= 150:
        raise InputError("weight", f"{weight_kg:g} kg is no dog's weight.", "Give it in kilograms.", code="weight")
    area = data("time")["area"]
    return float(area["factor"] * weight_kg ** (area["exponent_over_3"] / 3))


def density(situation: CoatSituation) -> float:
    """How much longer the same work takes in the densest coat that is still possible, as a factor."""
    return max(float(data("time")["density"][undercoat]) for undercoat in situation.undercoats or {"unknown"})


def slower(situation: CoatSituation) -> float:
    """How much longer the same work takes with this dog's patience, as a factor."""
    return float(data("time")["patience"][situation.patience or "unknown"]["slower"])


def spread() -> tuple[float, float]:
    """How far an estimate of minutes may be off, as factors below and above 1."""
    table = data("time")["spread"]
    return float(table["low"]), float(table["high"])


def combing_minutes(situation: CoatSituation, mm: float) -> float:
    """Minutes of one whole brushing and combing of a patient dog at a trunk length in mm; the weight must be known."""
    return body_surface_m2(situation.weight_kg or 0.0) * _per_m2(likely(situation), mm) * density(situation)


def _per_m2(coats: Sequence[CoatCategory], mm: float) -> float:
    table = data("time")["work"]
    return max(float(table[coat]["bare"] + table[coat]["per_mm"] * mm) for coat in coats)


def time_budget(situation: CoatSituation, cleared: Triage, risk: MatRisk) -> TimeBudget | None:
    """Minutes a week, sittings, and the longest length that fits; None if the weight is not known."""
    if situation.weight_kg is None:
        return None
    work, now, given = _Work(situation, cleared, risk), length_mm(situation), situation.minutes_per_week
    low, high = spread()
    longest, limit = _longest(work, given)
    wish = situation.wished_length_mm
    return TimeBudget(
        surface_m2=work.surface_m2,
        minutes=work.minutes(now),
        low=work.minutes(now) * low,
        high=min(work.cap, work.minutes(now) * high),
        sittings=work.sittings(now),
        sitting_minutes=work.of_sitting(now),
        touch_up_minutes=work.of_touch_up(now),
        dog_bears=work.bearable(now),
        beyond=work.beyond(now),
        given=given,
        fits=None if given is None and work.bearable(now) and not work.beyond(now) else work.fits(now, given),
        may_be_cut=may_be_cut(situation, cleared),
        longest_mm=longest,
        limit=limit,
        wish_mm=wish,
        wish_minutes=None if wish is None else work.minutes(wish),
        wish_fits=None if wish is None else longest is not None and wish <= longest,
        curve=tuple((float(mm), work.minutes(mm)) for mm in (3, 6, 12, 19, 25, *range(30, 151, 10))),
    )


def may_be_cut(situation: CoatSituation, cleared: Triage) -> bool:
    """Every coat that is still possible may be cut to a length, and nothing found on the dog forbids it."""
    return cleared.shorter.open and _cut_to_length(situation)


def _cut_to_length(situation: CoatSituation) -> bool:
    """Whether every coat that is still possible is one that is cut to a length at all."""
    trimmable = all(data("coats")["coat"][category]["trimmable"] for category in categories(situation))
    return trimmable and not situation.hand_stripped


def some_are_cut(situation: CoatSituation) -> bool:
    """Whether some of the coats that are still possible are cut to a length."""
    return any(data("coats")["coat"][category]["trimmable"] for category in categories(situation))


def zones_at_risk(cleared: Triage, risk: MatRisk, mm: float) -> tuple[BodyZone, ...]:
    """Zones at which knots begin, or the comb stopped, and which may be combed at home, at a trunk length in mm."""
    levels, may = risk.levels(mm), cleared.cleared(comb=True)
    return ordered(zone for zone in (*RISK_ZONES, *risk.stopped) if zone in may and levels[zone] != "low")


def extra_rounds(zones: Sequence[BodyZone], risk: MatRisk, mm: float) -> int:
    """How many times a week more than the whole dog these zones want the comb."""
    extra, levels = data("mat_risk")["extra_sessions"], risk.levels(mm)
    return max((int(extra[levels[zone]]) for zone in zones), default=0)


class _Work:
    """Minutes of work on one dog at any length; what does not depend on the length is computed once.

    Never falls with length, density, risk or impatience.
    """

    def __init__(self, situation: CoatSituation, cleared: Triage, risk: MatRisk) -> None:
        table = data("time")
        patience = table["patience"][situation.patience or "unknown"]
        self._cleared, self._risk = cleared, risk
        self._coats = likely(situation)
        self._work: dict[float, float] = {}
        self._bands: dict[float, tuple[int, int, float]] = {}
        self._slower = slower(situation)
        self._density = density(situation)
        self._set_up = float(table["sitting"]["set_up_minutes"])
        self._most_sittings = int(table["sitting"]["most_per_week"])
        self.cap = float(table["sitting"]["most_minutes"])
        self.surface_m2 = body_surface_m2(situation.weight_kg or 0.0)
        self._longest = float(
            min(patience["sitting"], table["puppy"]["sitting"] if PUPPY in cleared.rules else math.inf)
        )

    def _band(self, mm: float) -> tuple[int, int, float]:
        """Constants between two of the trade's length limits: rounds a week, extra rounds of the zones at risk, minutes
        of going over these zones once."""
        standard = standard_mm(mm)
        if standard not in self._bands:
            row = data("time")["touch_up"]
            zones = zones_at_risk(self._cleared, self._risk, mm)
            touch_up = len(zones) * (row["zone_minutes"] + row["per_m2"] * self.surface_m2) * self._slower
            self._bands[standard] = (
                rounds_a_week(self._coats, mm), extra_rounds(zones, self._risk, mm), float(touch_up)
            )  # fmt: skip
        return self._bands[standard]

    def _rounds(self, mm: float) -> float:
        """Minutes a week of brushing and combing the whole dog."""
        often = sessions_for(self._coats, mm) ** data("time")["often"]["saving"]
        return float(often * self.surface_m2 * _per_m2(self._coats, mm) * self._density * self._slower)

    def _in_hand(self, mm: float) -> float:
        """Minutes a week with a tool in the hand."""
        if mm not in self._work:
            _, extra, touch_up = self._band(mm)
            self._work[mm] = self._rounds(mm) + extra * touch_up
        return self._work[mm]

    def _with_set_up(self, mm: float) -> float:
        return self._in_hand(mm) + self._set_up * self.sittings(mm)

    def sittings(self, mm: float) -> int:
        """Sittings a week: as often as the coat asks, and short enough for the dog; at most one a day."""
        rounds, _, _ = self._band(mm)
        wanted = max(rounds, math.ceil(self._in_hand(mm) / self._longest))
        return min(self._most_sittings, wanted)

    def minutes(self, mm: float) -> float:
        """Minutes a week, never more than any owner can do."""
        return min(self.cap, self._with_set_up(mm))

    def beyond(self, mm: float) -> bool:
        """Whether the work exceeds what any owner can do."""
        return self._with_set_up(mm) > self.cap

    def bearable(self, mm: float) -> bool:
        """Whether the week's work fits into sittings that the dog takes well."""
        return self._in_hand(mm) <= self._longest * self._most_sittings

    def fits(self, mm: float, given: float | None) -> bool:
        """Whether dog and owner can take it; without minutes only the dog and the limit of all owners count.

        Minutes count as people read them: nobody is told that 60 minutes are more than 60.
        """
        return self.bearable(mm) and not self.beyond(mm) and (given is None or as_said(self.minutes(mm)) <= given)

    def of_touch_up(self, mm: float) -> float:
        """Minutes of one touch-up, whole ones."""
        return float(max(1, round(self._band(mm)[2])))

    def of_sitting(self, mm: float) -> float:
        """Minutes of one sitting, whole ones; touch-ups that find no day of their own are part of it."""
        sittings = self.sittings(mm)
        rounds, extra, touch_up = self._band(mm)
        own_days = touch_up_days(rounds + extra, sittings)
        work = (self._rounds(mm) + (extra - own_days) * touch_up) / sittings
        return float(max(1, round(min(work, self._longest) + self._set_up)))


def touch_up_days(wanted: int, sittings: int) -> int:
    """Days a week with a touch-up: what the sittings do not cover, at most one of either a day."""
    return max(0, min(int(data("mat_risk")["extra_sessions"]["most"]), wanted) - sittings)


def _longest(work: _Work, given: float | None) -> tuple[int | None, Limit]:
    """The longest length in mm that fits, and what sets it."""
    table = data("time")["longest"]
    # Time never falls with length, so the lengths that do not fit lie behind those that do.
    lengths = range(int(table["shortest_mm"]), int(table["most_mm"]) + 1)
    fitting = bisect.bisect_left(lengths, True, key=lambda mm: not work.fits(mm, given))
    longest = lengths[fitting - 1] if fitting else None
    if fitting == len(lengths):
        return longest, "nothing"
    return longest, "week" if work.bearable(lengths[fitting]) else "dog"


def week_of(situation: CoatSituation, cleared: Triage, risk: MatRisk, budget: TimeBudget | None) -> Week | None:
    """How often, on which days and for how long; None while there are no sittings or nowhere to brush or comb."""
    if not cleared.session.open or not cleared.cleared(comb=True):
        return None
    mm = length_mm(situation)
    rounds = rounds_a_week(likely(situation), mm)
    sittings = budget.sittings if budget else rounds
    zones = () if _nothing_to_comb(situation, risk, mm) else zones_at_risk(cleared, risk, mm)
    touch_ups = touch_up_days(rounds + extra_rounds(zones, risk, mm), sittings) if zones else 0
    days = data("calendar")["weekdays"]
    session = set(days[str(sittings)])
    touch_up = set([day for day in (*days["6"], 6) if day not in session][:touch_ups])
    return Week(
        rounds=rounds,
        sittings=sittings,
        sitting_minutes=budget.sitting_minutes if budget else None,
        touch_ups=touch_ups,
        touch_up_zones=zones if sittings + touch_ups > rounds else (),
        days=tuple("session" if day in session else "touch_up" if day in touch_up else "" for day in range(7)),
    )


def _nothing_to_comb(situation: CoatSituation, risk: MatRisk, mm: float) -> bool:
    """Whether the whole coat is shorter than any usual clip, so that no place of it wants the comb."""
    longer = situation.long_furnishings or CoatCategory.WIRE in categories(situation) or risk.stopped
    return mm < data("time")["longest"]["shortest_mm"] and not longer


# --- which length -----------------------------------------------------------------------------------------------------

_BY_FIRST = {Who.VET: "vet", Who.GROOMER: "mats", Who.OWNER: "mats"}


def length_advice(
    situation: CoatSituation,
    cleared: Triage,
    budget: TimeBudget | None,
    *,
    was_matted: bool = False,
    answers_wish: bool = True,
    language: str,
) -> LengthAdvice:
    """Which length goes with this coat, its mats, the week and the dog.

    Args:
        budget: None while nobody can brush, or without a weight.
        was_matted: the dog had mats before the visit; it is kept short until it stays free of them.
        answers_wish: say why a wish can't be had; a phase after one that said it does not.
    """
    kind, mm, key = _length(situation, cleared, budget, was_matted)
    wish = _refused_wish(situation, cleared) if answers_wish and kind != "comes_off" else ""
    texts = catalogue(language, "care")
    most = budget.longest_mm if budget else None
    if situation.measured_mm is None and key in ("fits", "fits_longest"):
        key = f"{key}_unmeasured"
    values = {
        "mm": texts.mm(mm) if mm is not None else "",
        "now": texts.about_mm(length_mm(situation)),
        "longest": texts.about_mm(most) if most is not None else "",
        "given": texts.minutes(budget.given) if budget and budget.given is not None else "",
        "wish": texts.mm(situation.wished_length_mm) if situation.wished_length_mm is not None else "",
        "wish_minutes": texts.minutes(as_said(budget.wish_minutes)) if budget and budget.wish_minutes else "",
    }
    said = (texts.say(f"length.{one}", **values) for one in (wish, key) if one)
    return LengthAdvice(kind=kind, mm=mm, text=" ".join(said))


def _refused_wish(situation: CoatSituation, cleared: Triage) -> str:
    """The key of the sentence that answers a wish which can't be had from this coat; empty where there is none."""
    wish = situation.wished_length_mm
    if wish is None or _cut_to_length(situation):
        return ""
    if wish > length_mm(situation):
        return "" if some_are_cut(situation) else "wish_longer_uncut"
    if wish == length_mm(situation):
        return ""
    if situation.hand_stripped:
        return "wish_stripped"
    if some_are_cut(situation) and not _likely_uncut(situation):
        return "wish_unsure"
    return "wish_double" if DOUBLE_COAT in cleared.shorter.rules else "wish_uncut"


def _likely_uncut(situation: CoatSituation) -> bool:
    """Whether the dog has more likely than not a coat that is not cut, and no likely one, as tools see it, is."""
    coats, likely = data("coats")["coat"], likely_coats(situation.categories, situation.shares)
    share = sum(situation.shares.get(one, 0.0) for one in likely)
    return share > 0.5 and not any(coats[one]["trimmable"] for one in likely)


_Kind = Literal["fits", "may_grow", "not_longer", "shorter", "not_cut", "comes_off", "ask"]
_Choice = tuple[_Kind, float | None, str]


def _length(situation: CoatSituation, cleared: Triage, budget: TimeBudget | None, was_matted: bool) -> _Choice:
    """Kind, length in mm and the key of the sentence."""
    now = length_mm(situation)
    if cleared.comes_off:
        return "comes_off", None, "comes_off"
    if not cleared.growth.open or not cleared.session.open:
        return _held(situation, cleared, budget, now)
    if not may_be_cut(situation, cleared):
        return _uncut(situation, budget)
    if was_matted:
        return _short_for_now(budget, now)
    if budget is None or budget.fits is None:
        return "ask", None, "ask_minutes" if budget else "ask_weight"
    grows = any(data("coats")["coat"][category]["growth"] == "continuous" for category in categories(situation))
    return _by_time(budget, now, grows=grows)


def _uncut(situation: CoatSituation, budget: TimeBudget | None) -> _Choice:
    """A coat that is not cut, or of which some that are still possible are not."""
    if hairless(situation):
        return "not_cut", None, "bare"
    stripped = bool(situation.hand_stripped)
    sure = stripped or not some_are_cut(situation)
    kept = "stripped" if stripped else "not_cut" if sure else "not_cut_unsure"
    if budget is None or budget.fits is None:
        return "not_cut", None, kept
    if budget.fits:
        unasked = "stripped" if stripped else "fits_uncut" if sure else "not_cut_unsure"
        return "fits", None, "fits" if budget.given is not None else unasked
    if not sure:
        return "not_cut", None, "too_much_unsure"
    if budget.beyond or not budget.dog_bears:
        return "not_cut", None, "beyond_uncut"
    return "not_cut", None, "too_much_uncut" if budget.given else "no_time_uncut"


def _held(situation: CoatSituation, cleared: Triage, budget: TimeBudget | None, now: float) -> _Choice:
    """Nothing is grown now; where even today's length is too much for the week, shorter may be asked for."""
    if rule := toolless(cleared):
        return "not_cut", None, rule
    if may_be_cut(situation, cleared) and budget is not None and budget.fits is False:
        if budget.longest_mm is None:
            return _nothing_fits(now)
        if budget.longest_mm < now:
            return "shorter", float(budget.longest_mm), _too_long(budget)
    by = cleared.growth if not cleared.growth.open else cleared.session
    why = "training" if CANNOT_BEAR in by.rules and by.first is not Who.VET else _BY_FIRST[by.first]
    if DOUBLE_COAT in cleared.shorter.rules or not _cut_to_length(situation):
        return "not_cut", None, f"held_{why}_uncut"
    measured = situation.measured_mm  # as it was told: the words say "than it is now"
    return "not_longer", measured, f"held_{why}_unmeasured" if measured is None else f"held_{why}"


def _short_for_now(budget: TimeBudget | None, now: float) -> _Choice:
    """A coat that has matted is kept at the trade's first limit, or where it is, until it stays free of knots."""
    most = max(now, float(data("time")["longest"]["after_mats_mm"]))
    if budget is None or budget.fits is None:
        return "not_longer", most, "after_mats"
    if budget.longest_mm is None:
        return _nothing_fits(now)
    if budget.longest_mm < now:
        return "shorter", float(budget.longest_mm), _too_long(budget)
    return "not_longer", min(most, float(budget.longest_mm)), "after_mats"


def _nothing_fits(now: float) -> _Choice:
    """Not even the shortest coat fits week and dog: the groomer keeps it short."""
    shortest = float(data("time")["longest"]["shortest_mm"])
    return ("shorter" if now > shortest else "not_longer"), shortest, "nothing_fits"


def _by_time(budget: TimeBudget, now: float, *, grows: bool) -> _Choice:
    longest, wish = budget.longest_mm, budget.wish_mm
    if longest is None:
        return _nothing_fits(now)
    if wish is not None and budget.wish_fits:
        kind: _Kind = "may_grow" if wish > now else "shorter" if wish < now else "fits"
        return kind, wish, "wish_fits"
    if longest < now:
        return "shorter", float(longest), "wish_too_long" if wish is not None else _too_long(budget)
    if wish is not None:
        return ("may_grow" if longest > now else "not_longer"), float(longest), "wish_too_long"
    if budget.limit == "nothing" or (longest > now and not grows):
        return "fits", None, "fits"
    return ("may_grow" if longest > now else "not_longer"), float(longest), "fits_longest"


def _too_long(budget: TimeBudget) -> str:
    if budget.given is None:
        return "beyond" if budget.beyond else "dog"
    return "shorter"


def time_words(budget: TimeBudget, week: Week, language: str = "en", *, then_mm: float | None = None) -> str:
    """What the coat takes in one sentence: at today's length, or at ``then_mm`` after the visit."""
    texts = catalogue(language, "care")
    at = texts.say("time.at_today") if then_mm is None else texts.say("time.at_then", mm=texts.about_mm(then_mm))
    if budget.beyond:
        return texts.say("time.beyond", at=at) if budget.may_be_cut else texts.say("time.beyond_uncut")
    key = "takes_too_much" if not budget.dog_bears else "takes" if week.sittings > 1 else "takes_once"
    minutes = {name: texts.number(as_said(getattr(budget, name)), 0) for name in ("minutes", "low", "high")}
    return texts.say(
        f"time.{key}", at=at, **minutes, sittings=week.sittings, sitting=texts.minutes(budget.sitting_minutes)
    )


def as_said(minutes: float) -> float:
    """Minutes to the nearest 5, so that an estimate does not look like a measurement; small ones to the minute."""
    return float(max(1, round(minutes)) if minutes < 12 else 5 * round(minutes / 5))
