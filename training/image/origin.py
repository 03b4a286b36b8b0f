"""What the files in the work folder were made from, so that a run never goes on from another run's results."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from coatclass.durable import write_whole
from coatclass.errors import InputError
from training.image.config import Config
from training.image.kinship import kinship_table

FILE = "origin.json"
_RESULTS = ("*.pt", "*.safetensors", "*.npz")


@dataclass(frozen=True)
class Origin:
    """Digests of what results were made from, by what it is called in a message.

    Attributes:
        folder: where that is stated.
        parts: further folders whose results it speaks for; other commands may keep theirs beside them.
    """

    folder: Path
    made_from: Mapping[str, str]
    parts: tuple[Path, ...] = ()

    def check(self) -> None:
        """Refuse results in the folder that were made from something else.

        Raises:
            InputError: if there are any, or if nothing says what they were made from.
        """
        if not any(any(part.glob(results)) for part in (self.folder, *self.parts) for results in _RESULTS):
            return
        path = self.folder / FILE
        found = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
        other = [f"another {name}" for name, digest in self.made_from.items() if found.get(name) != digest]
        if other:
            raise InputError(
                str(self.folder),
                f"holds results made from {' and '.join(other) if found else 'nobody knows what'}.",
                "Name another folder with --work, or delete this one to begin anew.",
                code="stale_work",
            )

    def write(self) -> None:
        """State what the folder's results are made from."""
        write_whole(self.folder / FILE, (json.dumps(self.made_from, indent=1) + "\n").encode())


def origins(configs: Sequence[Config], photos: Path, work: Path) -> list[Origin]:
    """Of the whole work folder, and of each configuration's folder in it; the folders are made.

    All results rest on the photos (whose manifest holds their hashes) and on the breed table. A configuration's name is
    no part of it, as it shapes no number, nor are the breed table's columns that no network sees.

    Raises:
        InputError: if two configurations bear one name, and so would share a folder.
    """
    if len({config.name for config in configs}) < len(configs):
        raise InputError("--config", "names two configurations of the same name.", "Give each its own ``name``.")
    shared = {
        "manifest of photos": _digest((photos / "manifest.csv").read_bytes()),
        "breed table": _digest(kinship_table().numpy().tobytes()),
    }
    found = [Origin(work, shared, tuple(work / config.name for config in configs))]
    for config in configs:
        content = json.dumps(config.model_dump(exclude={"name"}), sort_keys=True)
        found.append(Origin(work / config.name, {"configuration": _digest(content.encode())}))
    for origin in found:
        origin.folder.mkdir(parents=True, exist_ok=True)
    return found


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
