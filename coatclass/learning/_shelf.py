"""Learned versions on disk: all are kept, one is in use, and the released one is always available."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coatclass.durable import write_whole
from coatclass.ensemble import Members, load
from coatclass.errors import RecordError
from coatclass.learning.fitting import RELEASED, LearnedModel, LearningReport

if TYPE_CHECKING:
    from coatclass.records import Records

__all__ = ["Shelf", "shelf_of"]

_CURRENT = "current.json"


def shelf_of(salon: Records) -> Shelf:
    """The versions learned from these records; they lie beside the photos."""
    return Shelf(salon.store.folder.with_name("learned"))


class Shelf:
    """A folder of learned versions.

    Args:
        folder: where they lie; made when the first one comes.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, model: LearnedModel, report: LearningReport) -> None:
        """Keep a version with its comparison; it is not in use yet.

        Raises:
            RecordError: ``exists`` if a version of that name is there, ``unwritable``.
        """
        path = self._path(model.version)
        if path.exists():
            raise RecordError(model.version, "is there already.", "Wait a second and learn again.", code="exists")
        self._write(path, {"model": model.to_json(), "report": report.model_dump(mode="json")})

    def versions(self) -> tuple[str, ...]:
        """All versions, "released" first, then the oldest."""
        return (RELEASED.version, *sorted(path.stem for path in self.folder.glob("learned-*.json")))

    def get(self, version: str) -> LearnedModel:
        """A version.

        Raises:
            RecordError: ``not_found`` or ``damaged``.
        """
        if version == RELEASED.version:
            return RELEASED
        return LearnedModel.from_json(self._read(version).get("model", {}))

    def report(self, version: str) -> LearningReport:
        """The comparison with which a version was kept.

        Raises:
            RecordError: ``not_found`` or ``damaged``.
        """
        try:
            return LearningReport.model_validate(self._read(version)["report"])
        except (KeyError, ValueError) as error:
            raise _damaged(version) from error

    def use(self, version: str, *, members: Members | None = None) -> None:
        """Take a version into use, or return to an older one or to "released".

        Raises:
            RecordError: ``not_found``, ``damaged``, or ``stale`` if it was learned on another release of the ensemble.
        """
        if not _fits(self.get(version), members or load()):
            raise RecordError(
                version,
                "was learned on another release of the model.",
                "Learn again from the findings.",
                code="stale",
            )
        self._write(self.folder / _CURRENT, {"version": version})

    def current(self, *, members: Members | None = None) -> LearnedModel:
        """The version in use; the released one if none is, or if a new release has overtaken it.

        Raises:
            RecordError: ``damaged``.
        """
        path = self.folder / _CURRENT
        if not path.exists():
            return RELEASED
        try:
            version = str(json.loads(path.read_text("utf-8"))["version"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise _damaged(_CURRENT) from error
        model = self.get(version)
        return model if _fits(model, members or load()) else RELEASED

    def _path(self, version: str) -> Path:
        if not version.startswith("learned-") or not version.replace("-", "").isalnum():
            raise RecordError(version, "is no version.", "Choose one of those listed.", code="not_found")
        return self.folder / f"{version}.json"

    def _read(self, version: str) -> dict[str, Any]:
        try:
            return dict(json.loads(self._path(version).read_text("utf-8")))
        except FileNotFoundError as error:
            raise RecordError(version, "is not there.", "Choose one of those listed.", code="not_found") from error
        except (OSError, ValueError, TypeError) as error:
            raise _damaged(version) from error

    def _write(self, path: Path, content: dict[str, Any]) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(path, json.dumps(content, indent=1).encode())
        except OSError as error:
            raise RecordError(
                str(path), f"can't be written ({error.strerror}).", "Choose another folder.", code="unwritable"
            ) from error


def _fits(model: LearnedModel, members: Members) -> bool:
    return model.version == RELEASED.version or model.members_version == members.version


def _damaged(version: str) -> RecordError:
    return RecordError(version, "is damaged.", 'Return to the version "released".', code="damaged")
