"""The dog on the groomer's table: what was found, what may be offered, how long it takes, what it costs.

Everything obeys the triage. What is decided here is only shown elsewhere.
"""

from coatclass.intake.found import (
    Ears,
    Found,
    Health,
    Nails,
    Place,
    Sign,
    View,
    joined,
    mats_by_zone,
    place_of,
    situation_of,
)
from coatclass.intake.minutes import (
    CLIPPED,
    WORKS,
    FinishedVisit,
    FixedPrice,
    Job,
    Range,
    Rates,
    TimeModel,
    assumed,
    assumed_de_matting,
    fit,
    money,
    plausible,
    price,
)
from coatclass.intake.offers import Limit, Offer, Offers, limit_rules, offers, welfare_limit

__all__ = [
    "CLIPPED",
    "WORKS",
    "Ears",
    "FinishedVisit",
    "FixedPrice",
    "Found",
    "Health",
    "Job",
    "Limit",
    "Nails",
    "Offer",
    "Offers",
    "Place",
    "Range",
    "Rates",
    "Sign",
    "TimeModel",
    "View",
    "assumed",
    "assumed_de_matting",
    "fit",
    "joined",
    "limit_rules",
    "mats_by_zone",
    "money",
    "offers",
    "place_of",
    "plausible",
    "price",
    "situation_of",
    "welfare_limit",
]
