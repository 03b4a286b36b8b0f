"""Many photos into one table: deterministic, resumable, the same rows whatever the workers, shards or machines.

``sources`` names the photos, ``tables`` makes a row of one and reads and writes tables in pieces, ``local`` does the
work on this machine and ``cluster`` on many. No part holds more than a few rows at a time.
"""

from coatclass.scoring.local import score
from coatclass.scoring.sources import ListedPhoto, Photos, photos_at
from coatclass.scoring.tables import COLUMNS, read_path, score_photo, written_path

__all__ = ["COLUMNS", "ListedPhoto", "Photos", "photos_at", "read_path", "score", "score_photo", "written_path"]
