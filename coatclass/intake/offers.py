"""Keep the coat or clip it: what may be offered for the dog on the table, what it takes, and what the dog can bear.

Rules: ``data/welfare.toml`` and the triage's. Pure, and monotone: more trouble never offers more.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal

from coatclass import care
from coatclass.care.coat import length_mm, ordered
from coatclass.contract import CoatSituation, Permission, Triage, Who
from coatclass.errors import ModelFilesError
from coatclass.intake.found import Found, Health, Sign, place_of, situation_of
from coatclass.intake.minutes import Job, Range, Rates, TimeModel, Work, price
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, MatState, Patience
from coatclass.triage import rules, thin_skinned, triage

__all__ = ["RULE_FILE", "Limit", "Offer", "Offers", "limit_rules", "offers", "welfare_limit"]

RULE_FILE = Path(__file__).with_name("data") / "welfare.toml"
Kind = Literal["keep", "clip"]


@dataclass(frozen=True)
class LimitRule:
    """One row; the words are explained at the head of the data file."""

    id: str
    de_matting: int
    table: int
    source: str
    patience: tuple[str, ...] = ()
    below_months: float | None = None
    from_months: float | None = None
    age_unknown: bool = False
    health: Health | None = None

    def holds(self, age_months: float | None, health: frozenset[Health], patience: Patience | None) -> bool:
        """Whether it is about this dog."""
        return (
            (not self.patience or (patience or "unknown") in self.patience)
            and (self.below_months is None or (age_months is not None and age_months < self.below_months))
            and (self.from_months is None or (age_months is not None and age_months >= self.from_months))
            and (not self.age_unknown or age_months is None)
            and (self.health is None or self.health in health)
        )


@cache
def limit_rules() -> tuple[LimitRule, ...]:
    """Every rule of the welfare limit.

    Raises:
        ModelFilesError: if a row makes no sense.
    """
    try:
        return tuple(_limit_rule(row) for row in read_toml(RULE_FILE)["limit"])
    except (TypeError, ValueError, KeyError) as error:
        raise ModelFilesError("welfare.toml", f"has a row that makes no sense: {error}.", "Install coatclass again.",
                              code="damaged") from error  # fmt: skip


def _limit_rule(row: Mapping[str, Any]) -> LimitRule:
    values = dict(row)
    values["patience"] = tuple(str(word) for word in values.get("patience", ()))
    values["health"] = Health(values["health"]) if "health" in values else None
    if not set(values["patience"]) <= {*Patience, "unknown"} or not values["source"]:
        raise ValueError(values["id"])
    return LimitRule(**values)


@dataclass(frozen=True)
class Limit:
    """What the dog can bear.

    Attributes:
        de_matting: the most minutes of taking mats out in this visit.
        table: the most minutes on the table without a long rest.
        rules: the rows that set the first, in the order of the file.
    """

    de_matting: int
    table: int
    rules: tuple[str, ...]


def welfare_limit(
    *, age_months: float | None, health: frozenset[Health] = frozenset(), patience: Patience | None = None
) -> Limit:
    """The limit for a dog: the lowest of all rows that hold."""
    held = [rule for rule in limit_rules() if rule.holds(age_months, health, patience)]
    least = min(rule.de_matting for rule in held)
    return Limit(least, min(rule.table for rule in held), tuple(rule.id for rule in held if rule.de_matting == least))


@dataclass(frozen=True)
class Offer:
    """One of the two ways.

    Attributes:
        kind: keep the coat, or clip it.
        work: what is done then.
        open: whether it may be offered at all; ``why``: if not, why not, a key of the words.
        minutes: of the whole visit; ``de_matting``: those of them that go into taking mats out. None without a weight.
        cost: (low, high) by the salon's rates; None without rates or weight.
        out: zones whose mats are taken out; ``off``: zones that are clipped; ``to_skin``: those of them whose mats lie
            at the skin, so that nothing stays there.
        parts: how many sittings the work is split into, so that the dog can bear it.
        ask_vet: more stretches than are sensible without asking a vet.
        job: as the minutes were reckoned.
    """

    kind: Kind
    work: Work
    open: bool
    why: str = ""
    minutes: Range | None = None
    de_matting: float | None = None
    cost: tuple[float, float] | None = None
    out: tuple[BodyZone, ...] = ()
    off: tuple[BodyZone, ...] = ()
    to_skin: tuple[BodyZone, ...] = ()
    parts: int = 1
    ask_vet: bool = False
    job: Job | None = None


@dataclass(frozen=True)
class Offers:
    """Both ways side by side.

    Attributes:
        vet_first: rules of the triage for which a vet looks first; then nothing is offered.
        left_alone: zones that nobody works on before a vet has looked.
        lumps: zones with a lump, which tools go round.
        felted: zones under whose mats nobody can look.
        comes_off: the coat has to come off.
        bath: whether the dog may be washed, as far as it has not to be asked of a vet.
        visits: finished visits that the minutes rest on.
    """

    situation: CoatSituation
    cleared: Triage
    limit: Limit
    keep: Offer
    clip: Offer
    vet_first: tuple[str, ...]
    left_alone: tuple[BodyZone, ...]
    lumps: tuple[BodyZone, ...]
    felted: tuple[BodyZone, ...]
    comes_off: bool
    bath: bool
    visits: int

    def of(self, kind: str) -> Offer | None:
        """The offer of a kind if it may be taken up."""
        offer = {"keep": self.keep, "clip": self.clip}.get(kind)
        return offer if offer is not None and offer.open else None


def offers(base: CoatSituation, found: Found, *, rates: Rates | None, model: TimeModel) -> Offers:
    """What may be offered.

    Args:
        base: the dog as it was known before it came.
        found: on arrival.
        rates: the salon's; None while there are none.
        model: of the minutes.
    """
    dog = situation_of(base, found)
    cleared = triage(dog)
    limit = welfare_limit(age_months=dog.age_months, health=_health(dog, found), patience=dog.patience)
    vet_first = _by_vet(cleared.session)
    alone = frozenset(one.zone for one in cleared.zones if one.first is Who.VET)
    places = {**_matted(dog, found)}
    work = {key: state for key, state in places.items() if place_of(key)[1] not in alone}
    felted = ordered(
        place_of(key)[1] for key, state in places.items() if state.severity >= MatState.TIGHT_MATS.severity
    )
    reckon = _Reckoner(dog, cleared, limit, rates, model)
    keep, clip = reckon.keep(work), reckon.clip(work)
    if vet_first:
        keep, clip = (Offer(one.kind, one.work, open=False, why="vet_first") for one in (keep, clip))
    return Offers(
        situation=dog,
        cleared=cleared,
        limit=limit,
        keep=keep,
        clip=clip,
        vet_first=vet_first,
        left_alone=ordered(alone),
        lumps=_lumps(dog, found),
        felted=felted,
        comes_off=cleared.comes_off,
        bath=reckon.bath,
        visits=model.visits,
    )


def _health(dog: CoatSituation, found: Found) -> frozenset[Health]:
    """What was said on arrival, and that the dog is pregnant or nursing as its owner told before."""
    return frozenset(found.health) | ({Health.PREGNANT} if dog.expecting else frozenset())


def _lumps(dog: CoatSituation, found: Found) -> tuple[BodyZone, ...]:
    """Zones with a lump: found now, or told by the owner."""
    felt = {place_of(key)[1] for key, one in found.places.items() if Sign.LUMP in one.signs}
    return ordered(felt | {zone for zone, trouble in dog.skin.items() if trouble == Sign.LUMP})


def _by_vet(permission: Permission) -> tuple[str, ...]:
    """The rules that close something until a vet has looked; what a groomer looks at first she may do."""
    first = {rule.id: rule.first for rule in rules()}
    return tuple(one for one in permission.rules if first[one] is Who.VET)


def _matted(dog: CoatSituation, found: Found) -> dict[str, MatState]:
    """Places with mats; what only the owner told has no side, and stands where the left picture shows it."""
    places = {key: one.mats for key, one in found.places.items() if one.mats not in (None, MatState.NONE)}
    named = {place_of(key)[1] for key in places}
    told = {f"left.{zone}": state for zone, state in dog.mats.items() if zone not in named and state.severity}
    return {key: state for key, state in {**places, **told}.items() if state is not None}


class _Reckoner:
    """Works out both offers for one dog."""

    def __init__(
        self, dog: CoatSituation, cleared: Triage, limit: Limit, rates: Rates | None, model: TimeModel
    ) -> None:
        self.dog, self.cleared, self.limit, self.rates, self.model = dog, cleared, limit, rates, model
        self.mm = length_mm(dog)
        self.bath = not _by_vet(cleared.bath)

    def keep(self, places: Mapping[str, MatState]) -> Offer:
        """Mats out, the coat combed through and kept; felt and tight mats on thin skin are clipped out."""
        table = read_toml(RULE_FILE)
        anywhere, thin = set(table["clipped_out"]["anywhere"]), set(table["clipped_out"]["on_thin_skin"])
        off = {
            key: state
            for key, state in places.items()
            if state in anywhere or (state in thin and place_of(key)[1] in thin_skinned())
        }
        out = {key: state for key, state in places.items() if key not in off}
        made = self._offer("keep", "de_matting" if places else "groom", out, off)
        closed = [row["why"] for row in table["closed"] if set(row["rules"]) & set(self.cleared.rules)]
        if self.cleared.comes_off and not closed:
            closed = ["comes_off"]
        if not closed and out and self.limit.de_matting == 0:
            closed = ["limit_none"]
        if not closed and out and made.de_matting is None:
            closed = ["no_weight"]
        if not closed and made.de_matting is not None and made.de_matting > self.limit.de_matting:
            closed = ["limit"]
        return _closed(made, closed[0]) if closed else made

    def clip(self, places: Mapping[str, MatState]) -> Offer:
        """The whole coat short; or, where a coat is not cut, tangles combed out and the other mats clipped out."""
        whole = self.cleared.comes_off or care.may_be_cut(self.dog, self.cleared)
        if whole:
            return self._offer("clip", "short_clip", {}, places)
        loose = {key: state for key, state in places.items() if state is MatState.TANGLES}
        made = self._offer("clip", "clip_out", loose, {key: state for key, state in places.items() if key not in loose})
        if made.de_matting is None or made.de_matting > self.limit.de_matting:
            made = self._offer("clip", "clip_out", {}, places)
        open_question = care.some_are_cut(self.dog) and len(self.dog.categories) > 1 and not self.dog.hand_stripped
        return made if made.off else _closed(made, "not_known" if open_question else "not_cut")

    def _offer(self, kind: Kind, work: Work, out: Mapping[str, MatState], off: Mapping[str, MatState]) -> Offer:
        tight = (key for key, state in off.items() if state.severity >= MatState.TIGHT_MATS.severity)
        bare = Offer(kind, work, open=True, out=_zones(out), off=_zones(off), to_skin=_zones(tight))
        if self.dog.weight_kg is None:
            return bare
        job = Job(work, self.dog, self.mm, dict(out), dict(off), bath=self.bath)
        minutes, de_matting = self.model.minutes(job), self.model.de_matting(job)
        parts = max(1, math.ceil(minutes.middle / self.limit.table))
        return replace(
            bare,
            minutes=minutes,
            de_matting=de_matting,
            cost=self._cost(minutes, de_matting),
            parts=parts,
            ask_vet=parts > int(read_toml(RULE_FILE)["parts"]["most"]),
            job=job,
        )

    def _cost(self, minutes: Range, de_matting: float) -> tuple[float, float] | None:
        """The price at the shortest and at the longest likely time."""
        if self.rates is None:
            return None
        ends = (minutes.low, minutes.high)
        low, high = (
            price(self.rates, minutes=end, de_matting=de_matting * end / minutes.middle, weight_kg=self.dog.weight_kg)
            for end in ends
        )
        return low, high


def _zones(places: Iterable[str]) -> tuple[BodyZone, ...]:
    return ordered(place_of(key)[1] for key in places)


def _closed(offer: Offer, why: str) -> Offer:
    """An offer that is not made, without minutes and price, which would only tempt."""
    return Offer(offer.kind, offer.work, open=False, why=why, out=offer.out, off=offer.off, de_matting=offer.de_matting)
