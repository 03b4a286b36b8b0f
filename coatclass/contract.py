"""The typed values that travel between the rooms, one per arrow of the program, and the public JSON of an assessment.

Values inside the program are frozen dataclasses; what leaves it as JSON is a frozen pydantic model.
Probability vectors are tuples in the order of :data:`coatclass.taxonomy.CATEGORIES` (7) and
:data:`coatclass.taxonomy.BANDS` (4).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat

__all__ = [
    "SCHEMA_VERSION",
    "AnswerEvidence",
    "Assessment",
    "BandEstimate",
    "CategoryEstimate",
    "Caution",
    "CoatEstimate",
    "CoatSituation",
    "Decision",
    "Frozen",
    "KitItem",
    "PhotoEvidence",
    "PhotoReport",
    "PhotoStatus",
    "Question",
    "Reason",
    "Regime",
    "Role",
    "Routine",
    "RoutineStep",
    "Specification",
    "Verdict",
    "ZoneFrequency",
]

SCHEMA_VERSION = 1


class Frozen(BaseModel):
    """A value that can't be changed and refuses unknown fields."""

    model_config = ConfigDict(frozen=True, extra="forbid")


# --- photo -> vision -> ensemble ------------------------------------------------------------------------------------


class PhotoStatus(StrEnum):
    """What became of a photo: used, used with less weight, or refused."""

    USED = "used"
    DOUBTFUL = "doubtful"
    REFUSED = "refused"


class Reason(Frozen):
    """Why something was decided: a stable code for programs, a sentence for people."""

    code: str
    text: str


class PhotoReport(Frozen):
    """What became of one photo and why. ``dog_probability`` in [0, 1], None if the photo could not be read."""

    file: str
    status: PhotoStatus
    reasons: tuple[Reason, ...] = ()
    dog_probability: float | None = None


@dataclass(frozen=True)
class PhotoEvidence:
    """What the image model reads from one photo.

    Attributes:
        texture: log probabilities (7,) of the category by the look of the coat.
        kinship: log probabilities (7,) of the category by the breeds the dog looks like.
        band: log probabilities (4,) of the length band.
        dog_probability: probability that the picture shows a dog, [0, 1].
        dog_share: share of the picture that is dog, [0, 1]; None if the model has no mask.
        unfamiliarity: distance from the likest photos the model was trained on, [0, 2]; its limit lies in the model's
            manifest.
        single_dog_probability: probability that the picture shows one dog, and enough of it to judge the coat,
            [0, 1]; None if nobody looked.
        dog_margin: log odds of a dog against the likeliest of wild canids, cats, other animals and things, from where
            few dogs lie, nats; below 0 hardly a dog. None if nobody looked.
        looks: what an observer would say of the coat: log probabilities of the answers in ``coatclass.vision.LOOKS``,
            then the standardised log length, (14,); None if nobody looked.
        outline: log probabilities (7,) of the category by ``looks`` alone; None if nobody looked.
    """

    file: str
    texture: tuple[float, ...]
    kinship: tuple[float, ...]
    band: tuple[float, ...]
    dog_probability: float
    dog_share: float | None
    unfamiliarity: float
    model_version: str
    single_dog_probability: float | None = None
    dog_margin: float | None = None
    looks: tuple[float, ...] | None = None
    outline: tuple[float, ...] | None = None


# --- answers -> ensemble --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AnswerEvidence:
    """What the answers say about the coat.

    Attributes:
        log_likelihood: log P(answers | category, band), up to a constant; 7 rows (category) of 4 (band).
        answered: names of the questions that contributed, in the questionnaire's order.
        ancestry: log P(coat | names or genes) - log P(coat), 7 rows of 4; None if nobody named any.
        measured_mm: trunk length measured by a person, mm; beats any estimate.
    """

    log_likelihood: tuple[tuple[float, ...], ...]
    answered: tuple[str, ...] = ()
    ancestry: tuple[tuple[float, ...], ...] | None = None
    measured_mm: float | None = None


Regime = Literal["none", "photo", "answers", "both", "hands_on"]


# --- ensemble -> decision -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CoatEstimate:
    """Calibrated probabilities, and what the sources said one by one.

    Attributes:
        category: P(category), (7,), sums to 1.
        band: P(band), (4,), sums to 1.
        regime: which sources took part.
        by_photo, by_answers: P(category) by that source alone, None if it is absent.
        unfamiliar: the photos are unlike anything the model was trained on.
        joint: P(category, band), 7 rows of 4, whose margins are ``category`` and ``band``; None if nobody kept it.
    """

    category: tuple[float, ...]
    band: tuple[float, ...]
    regime: Regime
    by_photo: tuple[float, ...] | None = None
    by_answers: tuple[float, ...] | None = None
    unfamiliar: bool = False
    joint: tuple[tuple[float, ...], ...] | None = None


class Verdict(StrEnum):
    """What the program dares to say."""

    SETTLED = "settled"
    NARROWED = "narrowed"
    HANDS_ON = "hands_on"
    NOT_A_DOG = "not_a_dog"
    UNUSABLE_PHOTO = "unusable_photo"


@dataclass(frozen=True)
class Decision:
    """The prediction sets, most probable first, and the verdict with its reasons."""

    categories: tuple[CoatCategory, ...]
    bands: tuple[LengthBand, ...]
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()


# --- decision -> toolkit -> care ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CoatSituation:
    """Everything that the tool rules and the care plan look at.

    Sets hold what is still possible. An empty ``textures`` or ``undercoats`` means that nobody said.

    Attributes:
        categories: categories still possible, never empty for a kit.
        bands: length bands still possible.
        measured_mm: trunk length measured by a person, mm.
        mats: mat state by zone; zones not named are taken as unknown, not as free of mats.
        hand_stripped: the top coat is kept by stripping, not by clipping.
        clipped: the coat was cut to its present length and is not at its natural one.
        sparse: the hair is thin or fine enough that the skin shows through.
        sensitive_skin, skin_trouble: what the owner reports.
    """

    categories: frozenset[CoatCategory]
    bands: frozenset[LengthBand]
    measured_mm: float | None = None
    textures: frozenset[Texture] = frozenset()
    undercoats: frozenset[Undercoat] = frozenset()
    mats: Mapping[BodyZone, MatState] = field(default_factory=dict)
    patience: Patience | None = None
    hand_stripped: bool | None = None
    clipped: bool | None = None
    sparse: bool | None = None
    long_furnishings: bool | None = None
    sensitive_skin: bool | None = None
    skin_trouble: frozenset[str] = frozenset()
    age_months: float | None = None
    weight_kg: float | None = None
    swims: bool | None = None
    wears_harness: bool | None = None
    wears_clothing: bool | None = None
    collar_on_full_neck: bool | None = None
    baths_per_month: float | None = None
    brushed_before_bath: Literal["always", "sometimes", "never"] | None = None
    days_since_combed: float | None = None
    minutes_per_week: float | None = None
    wished_length_mm: float | None = None

    @property
    def worst_mats(self) -> MatState | None:
        """The worst mat state reported in any zone, None if nobody looked."""
        return max(self.mats.values(), key=lambda state: state.severity, default=None)


class Role(StrEnum):
    """What a tool is to this dog."""

    ESSENTIAL = "essential"
    HELPFUL = "helpful"
    LATER = "later"
    AVOID = "avoid"


class Specification(Frozen):
    """What to look for in a shop. Lengths and gaps are ranges in mm (low, high)."""

    pin_length_mm: tuple[float, float] | None = None
    tooth_length_mm: tuple[float, float] | None = None
    tooth_gap_mm: tuple[float, float] | None = None
    stiffness: str | None = None
    tip: str | None = None
    size: str | None = None
    note: str | None = None


class KitItem(Frozen):
    """One tool for this dog: what it is to the dog, where, when in the order of work, why and by which rules."""

    tool: str
    name: str
    role: Role
    zones: tuple[BodyZone, ...]
    order: int | None
    why: str
    rule: tuple[str, ...]
    specification: Specification


class RoutineStep(Frozen):
    """One step of a session, in words for somebody with a dog on the table.

    ``title`` names the tool or the step; ``technique`` is the id of the stroke; ``errors`` are what usually goes wrong;
    ``cautions`` are codes of the cautions that matter at this step. No zones means the whole dog.
    """

    order: int
    tool: str | None
    zones: tuple[BodyZone, ...]
    do: str
    done_when: str
    title: str = ""
    technique: str = ""
    errors: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


class ZoneFrequency(Frozen):
    """How often some zones want the comb, times a week, and why."""

    zones: tuple[BodyZone, ...]
    times_per_week: float = Field(gt=0)
    why: str


class Routine(Frozen):
    """How often, how long, and what to do in which order.

    Attributes:
        hold: not empty when nothing may start before a vet or groomer has seen the dog; says who and why.
        leave: zones that the owner must not work on; they wait for the groomer.
        zones: how often which zones want the comb, the most frequent first.
        bath_steps: the bath day in order; ``bath`` is its rule in one sentence.
        ladder: what may be tried at a knot, for how long, and when to give up; empty if no knot was reported.
        errors: what usually goes wrong with the whole routine.
        trial: which tool to try first while the coat is uncertain, and what to do when the comb stops.
        groomer_decides: what stays open until a groomer has touched the dog.
    """

    sessions_per_week: tuple[float, float]
    minutes_per_session: tuple[float, float] | None = None
    steps: tuple[RoutineStep, ...] = ()
    bath: str = ""
    hold: str = ""
    leave: tuple[BodyZone, ...] = ()
    zones: tuple[ZoneFrequency, ...] = ()
    bath_steps: tuple[str, ...] = ()
    ladder: tuple[str, ...] = ()
    errors: tuple[str, ...] = ()
    trial: tuple[str, ...] = ()
    groomer_decides: tuple[str, ...] = ()


class Caution(Frozen):
    """A warning where it matters.

    ``level``: stop (leave it, see a vet or groomer), care, or note. ``place``: the part of the plan it belongs to
    (start, session, mats, bath, trim, tools).
    """

    code: str
    level: Literal["stop", "care", "note"]
    text: str
    zones: tuple[BodyZone, ...] = ()
    source: str = "common practice, no source"
    place: str = "start"


class Question(Frozen):
    """A question still worth asking, with the share of the kit that its answer is expected to change."""

    id: str
    text: str
    help: str = ""
    expected_change: float = Field(ge=0)


# --- the public JSON ------------------------------------------------------------------------------------------------


class CategoryEstimate(Frozen):
    """Which coat, how likely each, and the prediction set."""

    best: CoatCategory
    probabilities: dict[CoatCategory, float]
    set: tuple[CoatCategory, ...]


class BandEstimate(Frozen):
    """How long, how likely each band, and the prediction set."""

    best: LengthBand
    probabilities: dict[LengthBand, float]
    set: tuple[LengthBand, ...]


class Assessment(Frozen):
    """The whole answer for one dog; stable and versioned.

    ``category`` and ``length_band`` are null when nothing that was given can carry an estimate.
    """

    schema_version: Literal[1] = 1
    model_version: str
    rules_version: str
    photos: tuple[PhotoReport, ...] = ()
    regime: Regime
    category: CategoryEstimate | None
    length_band: BandEstimate | None
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()
    next_question: Question | None = None
    kit: tuple[KitItem, ...] = ()
    routine: Routine | None = None
    cautions: tuple[Caution, ...] = ()


def normalise(log_probabilities: tuple[float, ...]) -> tuple[float, ...]:
    """Turn log probabilities, up to a constant, into probabilities that sum to 1."""
    top = max(log_probabilities)
    weights = [math.exp(value - top) for value in log_probabilities]
    total = sum(weights)
    return tuple(weight / total for weight in weights)
