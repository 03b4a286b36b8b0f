"""What hands and eyes found on arrival, place by place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from enum import StrEnum
from typing import Annotated, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field

from coatclass.contract import CoatSituation, Frozen
from coatclass.plain_text import paragraphs
from coatclass.taxonomy import BodyZone, MatState, Patience

__all__ = [
    "Ears",
    "Found",
    "Health",
    "Nails",
    "Place",
    "Sign",
    "View",
    "joined",
    "mats_by_zone",
    "place_of",
    "situation_of",
]

E = TypeVar("E", bound=StrEnum)


class View(StrEnum):
    """From where a place is seen."""

    LEFT = "left"
    RIGHT = "right"
    TOP = "top"
    BELOW = "below"


class Sign(StrEnum):
    """What was seen or felt at a place, the gravest first: troubles of the triage."""

    SORES = "sores"
    PAIN = "pain"
    PARASITES = "parasites"
    REDNESS = "redness"
    SMELL = "smell"
    LUMP = "lump"


class Ears(StrEnum):
    """How the ears are."""

    FINE = "fine"
    DIRTY = "dirty"
    TROUBLE = "trouble"


class Nails(StrEnum):
    """How the nails are."""

    FINE = "fine"
    LONG = "long"
    GROWN_IN = "grown_in"


class Health(StrEnum):
    """What the owner or a vet said of the dog's health."""

    HEART = "heart"
    BREATHING = "breathing"
    JOINTS = "joints"
    SEIZURES = "seizures"
    PREGNANT = "pregnant"
    OPERATED = "operated"


class Place(Frozen):
    """One place: the state of its mats, None if nobody looked, and what else was seen."""

    mats: MatState | None = None
    signs: tuple[Sign, ...] = ()


def place_of(key: str) -> tuple[View, BodyZone]:
    """View and zone of a place's key, ``left.legs``.

    Raises:
        ValueError: for anything else.
    """
    view, _, zone = key.partition(".")
    return View(view), BodyZone(zone)


def _known(key: str) -> str:
    place_of(key)
    return key


def _clean(text: object) -> object:
    return paragraphs(text) if isinstance(text, str) else text


class Found(Frozen):
    """The whole look on arrival.

    Attributes:
        places: by ``view.zone``; what is not named was not looked at.
        looked_over: hands went over the whole dog, so that nothing stands beside what is named here.
        remarks: of the groomer, printed with the rest.
    """

    places: dict[Annotated[str, AfterValidator(_known)], Place] = Field(default_factory=dict, max_length=80)
    ears: Ears | None = None
    nails: Nails | None = None
    health: tuple[Health, ...] = ()
    patience: Patience | None = None
    looked_over: bool = False
    remarks: Annotated[str, BeforeValidator(_clean), Field(max_length=2000)] = ""


def mats_by_zone(found: Found) -> Mapping[BodyZone, MatState]:
    """The worst state of each zone, from whichever side."""
    worst: dict[BodyZone, MatState] = {}
    for key, place in found.places.items():
        zone = place_of(key)[1]
        if place.mats is not None and place.mats.severity >= worst.get(zone, MatState.NONE).severity:
            worst[zone] = place.mats
    return worst


def joined(one: Found, other: Found) -> Found:
    """Two looks at one dog as one: at each place the worse, and everything that either saw.

    Remarks may be longer than a look may keep; they are not cut, so that whoever goes on shortens them.
    """
    places = {
        key: _worse(one.places.get(key), other.places.get(key)) for key in dict.fromkeys((*one.places, *other.places))
    }
    return one.model_copy(
        update={
            "places": places,
            "ears": _last(Ears, one.ears, other.ears),
            "nails": _last(Nails, one.nails, other.nails),
            "health": tuple(health for health in Health if health in {*one.health, *other.health}),
            "patience": _last(Patience, one.patience, other.patience),
            "looked_over": one.looked_over and other.looked_over,
            "remarks": "\n".join(dict.fromkeys(filter(None, (one.remarks, other.remarks)))),
        }
    )


def _worse(one: Place | None, other: Place | None) -> Place:
    seen = [place for place in (one, other) if place is not None]
    mats = (place.mats for place in seen if place.mats is not None)
    signs = {sign for place in seen for sign in place.signs}
    return Place(
        mats=max(mats, key=lambda state: state.severity, default=None),
        signs=tuple(sign for sign in Sign if sign in signs),
    )


def _last(kind: type[E], *said: E | None) -> E | None:
    """Of what was said, the one that stands last in its list: the worst."""
    return next((value for value in reversed(kind) if value in said), None)


def situation_of(base: CoatSituation, found: Found) -> CoatSituation:
    """The dog as it stands on the table: what was known before, and what was found now.

    Unless the whole dog was looked over, what the owner told stands beside it: more trouble never allows more.
    """
    mats, skin = dict(mats_by_zone(found)), _skin(found)
    trouble = frozenset(sign.value for place in found.places.values() for sign in place.signs)
    if found.ears is Ears.TROUBLE:
        trouble |= {"ear_trouble"}
    if not found.looked_over:
        for zone, state in base.mats.items():
            mats[zone] = max(state, mats.get(zone, MatState.NONE), key=lambda one: one.severity)
        skin = {**base.skin, **skin}
        trouble |= base.skin_trouble
    return replace(base, mats=mats, skin=skin, skin_trouble=trouble, patience=found.patience or base.patience)


def _skin(found: Found) -> dict[BodyZone, str]:
    """The gravest trouble of each zone."""
    gravest_first = [sign.value for sign in Sign]
    by_zone: dict[BodyZone, set[str]] = {}
    for key, place in found.places.items():
        by_zone.setdefault(place_of(key)[1], set()).update(sign.value for sign in place.signs)
    worst = {zone: next((one for one in gravest_first if one in signs), "") for zone, signs in by_zone.items()}
    return {zone: sign for zone, sign in worst.items() if sign}
