"""Folders for people's data that only pass through: exports, imports, tables of the workbench."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path
from tempfile import gettempdir, mkdtemp


class Passing:
    """Makes folders that nobody else may read, each to be removed by whoever asked for it.

    They lie in the system's folder, since an export must also be had where the disk of the records is full.

    Args:
        data: folder of the server's records, by which a server knows what an earlier run of its own has left.
    """

    def __init__(self, data: Path) -> None:
        self._prefix = f"coatclass-{hashlib.sha256(str(data.resolve()).encode()).hexdigest()[:16]}-"

    def folder(self) -> Path:
        """A new, empty one."""
        return Path(mkdtemp(prefix=self._prefix))

    def sweep(self) -> None:
        """Remove what a run that was killed has left."""
        for left in Path(gettempdir()).glob(f"{self._prefix}*"):
            shutil.rmtree(left, ignore_errors=True)  # not through links: those it refuses
