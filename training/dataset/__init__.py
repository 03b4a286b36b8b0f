"""The published data set: our labels, the documents that describe them, and the way to fetch the photos they name."""

from coatclass.photo import difference_hash, hash_distance
from training.dataset.fetch import Fetched, Fetcher, FetchProblem
from training.dataset.labels import (
    LABEL_COLUMNS,
    MANIFEST_COLUMNS,
    PictureCheck,
    examine,
    labels_from_manifest,
    manifest_from_labels,
    read_csv,
)
from training.dataset.rebuild import Outcome, Status, rebuild

__all__ = [
    "LABEL_COLUMNS",
    "MANIFEST_COLUMNS",
    "FetchProblem",
    "Fetched",
    "Fetcher",
    "Outcome",
    "PictureCheck",
    "Status",
    "difference_hash",
    "examine",
    "hash_distance",
    "labels_from_manifest",
    "manifest_from_labels",
    "read_csv",
    "rebuild",
]
