"""Opening a picture safely, upright and small enough; and saying what is wrong with it."""

from coatclass.photo._load import LoadedPhoto, load
from coatclass.photo._quality import Quality, measure, quality_findings
from coatclass.photo._report import refusal, report
from coatclass.photo.limits import Limits, default_limits

__all__ = [
    "Limits",
    "LoadedPhoto",
    "Quality",
    "default_limits",
    "load",
    "measure",
    "quality_findings",
    "refusal",
    "report",
]
