"""The published data set: our labels, the documents that describe them, and the way to fetch the photos they name."""

from training.dataset._check import Verdict, difference_hash, examine, hash_distance
from training.dataset._fetch import Fetched, Fetcher, FetchProblem
from training.dataset._labels import (
    LABEL_COLUMNS,
    MANIFEST_COLUMNS,
    labels_from_manifest,
    manifest_from_labels,
    read_csv,
)
from training.dataset._rebuild import Outcome, Status, rebuild

__all__ = [
    "LABEL_COLUMNS",
    "MANIFEST_COLUMNS",
    "FetchProblem",
    "Fetched",
    "Fetcher",
    "Outcome",
    "Status",
    "Verdict",
    "difference_hash",
    "examine",
    "hash_distance",
    "labels_from_manifest",
    "manifest_from_labels",
    "read_csv",
    "rebuild",
]
