"""Many photos into one table: deterministic, resumable, the same rows whatever the workers, shards or machines.

``sources`` names the photos, ``rows`` makes a row of one, ``tables`` reads and writes them in pieces, ``local`` does
the work on this machine and ``cluster`` on many. No part holds more than a few rows at a time.
"""

from coatclass.scoring.local import score
from coatclass.scoring.rows import COLUMNS, read_path, score_photo, written_path
from coatclass.scoring.sources import Photo, Photos, photos_at

__all__ = ["COLUMNS", "Photo", "Photos", "photos_at", "read_path", "score", "score_photo", "written_path"]
