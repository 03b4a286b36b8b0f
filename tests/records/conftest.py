"""The same tests on both engines: a SQLite file, and a PostgreSQL server that is started for the session."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from io import BytesIO
from pathlib import Path
from uuid import uuid4

import pytest
from PIL import Image

from coatclass.contract import Assessment, BandEstimate, CategoryEstimate, Fault, Verdict
from coatclass.records import (
    AnswerSheet,
    Appointment,
    CheckRecord,
    Dog,
    Finding,
    Intake,
    Measurement,
    Records,
    Setting,
    StoredAssessment,
    open_records,
)
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    CoatCategory,
    LengthBand,
    MatState,
    Patience,
    Texture,
    Undercoat,
)

IN_CI = os.environ.get("CI") == "true"


@dataclass
class Place:
    """A fresh database that can be opened again and again."""

    new_url: Callable[[], str]
    folder: Path
    engine: str
    url: str = ""
    opened: list[Records] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.url = self.new_url()

    @property
    def photos(self) -> Path:
        return self.folder / f"photos-{abs(hash(self.url))}"

    def open(self) -> Records:
        records = open_records(self.url, photo_folder=self.photos)
        self.opened.append(records)
        return records

    def another(self) -> Place:
        return Place(self.new_url, self.folder, self.engine)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Place]:
    if request.param == "sqlite":
        new_url: Callable[[], str] = lambda: f"sqlite:///{tmp_path / uuid4().hex}.sqlite"  # noqa: E731
    else:
        new_url = request.getfixturevalue("postgres")
    made: list[Place] = []

    def track(place: Place) -> Place:
        made.append(place)
        return place

    one = track(Place(new_url, tmp_path, request.param))
    one.another = lambda: track(Place(new_url, tmp_path, request.param))  # type: ignore[method-assign]
    yield one
    for each in made:
        for records in each.opened:
            records.close()


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new SQLite file with its tables, to be copied: half the time of making one."""
    folder = tmp_path_factory.mktemp("empty")
    open_records(f"sqlite:///{folder / 'records.sqlite'}", photo_folder=folder / "photos").close()
    assert [path.name for path in folder.iterdir() if path.is_file()] == ["records.sqlite"]
    return folder / "records.sqlite"


@pytest.fixture
def records(place: Place, empty: Path) -> Records:
    if place.engine == "sqlite":
        shutil.copy(empty, place.url.removeprefix("sqlite:///"))
    return place.open()


def picture(colour: str = "tan", *, side: int = 200, exif: Image.Exif | None = None) -> bytes:
    """A JPEG of one colour."""
    stream = BytesIO()
    Image.new("RGB", (side, side), colour).save(stream, "JPEG", exif=exif or Image.Exif())
    return stream.getvalue()


@pytest.fixture(name="picture")
def _picture() -> Callable[..., bytes]:
    return picture


def one_of_each(dog: Dog) -> list:
    """One record of each kind that belongs to a dog."""
    answers = AnswerSheet(dog_id=dog.id, content={"feel": "silky", "baths_per_month": 1.5, "mats": {"ears": "mats"}})
    estimate = StoredAssessment(
        dog_id=dog.id,
        answers_id=answers.id,
        result={"verdict": "hands_on", "category": {"probabilities": {"hair": 0.5, "mixed": 0.5}}},
        evidence={"photos": [{"texture": [-0.1, -2.5]}]},
    )
    finding = Finding(
        dog_id=dog.id,
        category=CoatCategory.MIXED,
        by="Ada",
        lengths_mm={BodyZone.TRUNK: 42.5, BodyZone.LEGS: 30, BodyZone.EARS: 61},
        undercoat=Undercoat.DENSE,
        texture=Texture.COTTONY,
        mats={BodyZone.BEHIND_EARS: MatState.TIGHT_MATS},
        patience=Patience.FIDGETS,
        remarks="Ruhig anfangen – ängstlich an den Pfoten 🐾",
        assessment_id=estimate.id,
    )
    visit = Appointment(dog_id=dog.id, starts_at=datetime(2026, 3, 9, 8, 30, tzinfo=UTC), minutes=90)
    signed = datetime(2026, 3, 9, 8, 40, tzinfo=UTC)
    return [
        answers,
        estimate,
        finding,
        Measurement(dog_id=dog.id, length_mm=41.2, measured_on=date(2026, 3, 1), how="card", error_mm=0.8),
        visit,
        Intake(dog_id=dog.id, appointment_id=visit.id, content='{"said": "Filz – „Haut“"}', signed_at=signed),
        CheckRecord(
            dog_id=dog.id,
            by="Ada",
            passed=(BodyZone.LEGS,),
            stopped=(BodyZone.ARMPITS,),
            faults=(Fault.SURFACE_ONLY,),
            appointment_id=visit.id,
            remarks="Scheitel gezeigt",
        ),
        Setting(name="rates", content={"currency": "€", "per_hour": 48.0}),
    ]


@pytest.fixture
def everything() -> Callable[[Dog], list]:
    """A function that makes one record of each kind that belongs to a dog."""
    return one_of_each


def told(best: float, verdict: Verdict = Verdict.HANDS_ON) -> Assessment:
    """An estimate that gives *mixed* the probability ``best`` and shares the rest evenly."""
    rest = (1 - best) / 6
    return Assessment(
        model_version="m1",
        rules_version="r1",
        regime="photo",
        category=CategoryEstimate(
            best=CoatCategory.MIXED,
            probabilities={one: best if one == CoatCategory.MIXED else rest for one in CATEGORIES},
            set=(CoatCategory.MIXED,),
        ),
        length_band=BandEstimate(
            best=LengthBand.FROM_25_TO_75MM,
            probabilities=dict.fromkeys(BANDS, 0.25),
            set=BANDS,
        ),
        verdict=verdict,
    )


@pytest.fixture
def assessment() -> Callable[..., Assessment]:
    """A function that makes an assessment; see :func:`told`."""
    return told
