"""From kit to care: the routine, mat risk by zone, time, growth, calendar, cautions and the whole plan."""

from coatclass.care._calendar import calendar_ics, event_uid
from coatclass.care._cautions import cautions
from coatclass.care._events import Event, EventKind, bath_weeks
from coatclass.care._growth import Crossing, Growth, Present, forecast, passing
from coatclass.care._load import RISK_ZONES, Level, ZoneLoad, load, zone_length_mm
from coatclass.care._measurements import Doubt, Measurement, Rate, Trim, doubt_words, examine, rate_of
from coatclass.care._plan import CareCase, CarePlan, plan
from coatclass.care._routine import routine
from coatclass.care._rules import CareRule, rules
from coatclass.care._time import TimeBudget, body_surface_m2, time_budget, time_words, weekly_minutes

__all__ = [
    "RISK_ZONES",
    "CareCase",
    "CarePlan",
    "CareRule",
    "Crossing",
    "Doubt",
    "Event",
    "EventKind",
    "Growth",
    "Level",
    "Measurement",
    "Present",
    "Rate",
    "TimeBudget",
    "Trim",
    "ZoneLoad",
    "bath_weeks",
    "body_surface_m2",
    "calendar_ics",
    "cautions",
    "doubt_words",
    "event_uid",
    "examine",
    "forecast",
    "load",
    "passing",
    "plan",
    "rate_of",
    "routine",
    "rules",
    "time_budget",
    "time_words",
    "weekly_minutes",
    "zone_length_mm",
]
