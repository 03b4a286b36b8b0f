"""For researchers: findings without names, and how well the release does."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, Response

from app.accounts import Researcher
from app.api.asking import REFUSALS, download, salon_of
from coatclass.errors import InputError, ModelFilesError
from coatclass.records import export_findings
from coatclass.resources import released

router = APIRouter(prefix="/api/v1/research", tags=["research"], responses=REFUSALS)

_MARKDOWN = "text/plain; charset=utf-8"  # shown by browsers, not downloaded
FILES = {"metrics.json": "application/json", "METRICS.md": _MARKDOWN, "MODEL_CARD.md": _MARKDOWN}
HOW = "python -m training evaluate --out FOLDER"


@router.get("/findings.csv", response_class=Response)
def findings(request: Request, who: Researcher) -> Response:
    """Hands-on findings with the estimates that stood, one row each; nothing in it names a person or a dog."""
    with TemporaryDirectory(prefix="coatclass-") as folder:
        path = Path(folder) / "findings.csv"
        export_findings(salon_of(request), path)
        return download(path.read_bytes(), "text/csv; charset=utf-8", "findings.csv")


def evaluation_files() -> tuple[str, ...]:
    """Which files of the release's evaluation are here."""
    return tuple(name for name in FILES if _path(name) is not None)


def _path(name: str) -> Path | None:
    try:
        return released(f"models/{name}")
    except ModelFilesError:
        return None


@router.get("/evaluation/{name}", response_class=FileResponse)
def evaluation(
    request: Request, who: Researcher, name: Literal["metrics.json", "METRICS.md", "MODEL_CARD.md"]
) -> FileResponse:
    """The evaluation of the release: figures with intervals, as JSON or to read."""
    path = _path(name)
    if path is None:
        raise InputError("the evaluation", "was not made here yet.", f"Make it with: {HOW}", code="missing")
    return FileResponse(path, media_type=FILES[name])
