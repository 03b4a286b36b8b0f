"""Opening a picture safely, upright and small enough; and saying what is wrong with it."""

from coatclass.photo.opening import LoadedPhoto, load, refusal, report
from coatclass.photo.quality import Limits, Quality, default_limits, measure, quality_findings

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
