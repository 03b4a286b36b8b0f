"""From kit to care: the routine, mat risk by zone, time, growth, calendar, cautions and the whole plan."""

from coatclass.care._cautions import cautions
from coatclass.care._load import RISK_ZONES, Level, ZoneLoad, load, zone_length_mm
from coatclass.care._routine import routine
from coatclass.care._texts import LANGUAGES, Catalogue, care_texts

__all__ = [
    "LANGUAGES",
    "RISK_ZONES",
    "Catalogue",
    "Level",
    "ZoneLoad",
    "care_texts",
    "cautions",
    "load",
    "routine",
    "zone_length_mm",
]
