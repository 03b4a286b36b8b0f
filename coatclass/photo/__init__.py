"""Opening a picture safely, upright and small enough; and saying what is wrong with it."""

from coatclass.photo.bare import is_bare_jpeg
from coatclass.photo.opening import LoadedPhoto, also, load, refusal, report, report_of
from coatclass.photo.quality import (
    Limits,
    Quality,
    default_limits,
    difference_hash,
    hash_distance,
    measure,
    quality_findings,
)

__all__ = [
    "Limits",
    "LoadedPhoto",
    "Quality",
    "also",
    "default_limits",
    "difference_hash",
    "hash_distance",
    "is_bare_jpeg",
    "load",
    "measure",
    "quality_findings",
    "refusal",
    "report",
    "report_of",
]
