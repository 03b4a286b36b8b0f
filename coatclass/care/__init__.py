"""From kit to care: routine, training, mat risk by zone, time and week, length, growth, dates and cautions.

Everything obeys the triage that it is given; :mod:`coatclass.planning` puts the pieces together.
"""

from coatclass.care.cautions import CareRule, cautions, rules
from coatclass.care.clipping import clip_ladder
from coatclass.care.coat import CANNOT_BEAR, PUPPY, adult_months, coat_still_worn
from coatclass.care.dates import Event, EventKind, bath_weeks, events_of
from coatclass.care.growth import (
    Crossing,
    DatedLength,
    Doubt,
    Growth,
    Present,
    Rate,
    Trim,
    doubt_words,
    examine,
    forecast,
    growth_words,
    passing,
    rate_of,
)
from coatclass.care.minutes import (
    TimeBudget,
    as_said,
    body_surface_m2,
    combing_minutes,
    density,
    length_advice,
    may_be_cut,
    slower,
    spread,
    time_budget,
    time_words,
    week_of,
)
from coatclass.care.risk import RISK_ZONES, Level, MatRisk, ZoneLoad, last_check, mat_reasons, ranked
from coatclass.care.routine import routine, training, training_cautions
from coatclass.care.technique import changes as technique_changes
from coatclass.care.technique import kept_short, kit_after_check, notes_that_hold, unchecked, zones_to_check

__all__ = [
    "CANNOT_BEAR",
    "PUPPY",
    "RISK_ZONES",
    "CareRule",
    "Crossing",
    "DatedLength",
    "Doubt",
    "Event",
    "EventKind",
    "Growth",
    "Level",
    "MatRisk",
    "Present",
    "Rate",
    "TimeBudget",
    "Trim",
    "ZoneLoad",
    "adult_months",
    "as_said",
    "bath_weeks",
    "body_surface_m2",
    "cautions",
    "clip_ladder",
    "coat_still_worn",
    "combing_minutes",
    "density",
    "doubt_words",
    "events_of",
    "examine",
    "forecast",
    "growth_words",
    "kept_short",
    "kit_after_check",
    "last_check",
    "length_advice",
    "mat_reasons",
    "may_be_cut",
    "notes_that_hold",
    "passing",
    "ranked",
    "rate_of",
    "routine",
    "rules",
    "slower",
    "spread",
    "technique_changes",
    "time_budget",
    "time_words",
    "training",
    "training_cautions",
    "unchecked",
    "week_of",
    "zones_to_check",
]
