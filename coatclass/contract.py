"""The typed values that travel between the rooms, one per arrow of the program, and the public JSON of an assessment.

Values inside the program are frozen dataclasses; what leaves it as JSON is a frozen pydantic model.
Probability vectors are tuples in the order of :data:`coatclass.taxonomy.CATEGORIES` (7) and
:data:`coatclass.taxonomy.BANDS` (4).

Annotations are evaluated as they stand, not postponed: pydantic would have to read each of them from its text.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from functools import cached_property
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat

__all__ = [
    "DRAGS",
    "AnswerEvidence",
    "AnsweredQuestion",
    "Ask",
    "Assessment",
    "BandEstimate",
    "CategoryEstimate",
    "Caution",
    "Clash",
    "ClipRung",
    "CoatEstimate",
    "CoatSituation",
    "Decision",
    "Drag",
    "Fault",
    "Frozen",
    "Guard",
    "KitItem",
    "LengthAdvice",
    "Permission",
    "PhaseAdvice",
    "PhotoEvidence",
    "PhotoReport",
    "PhotoStatus",
    "PlanChange",
    "Question",
    "Reason",
    "Regime",
    "Role",
    "Routine",
    "RoutineStep",
    "Specification",
    "TechniqueCheck",
    "ToFeel",
    "Touch",
    "TrainingStep",
    "Triage",
    "Verdict",
    "VisitNote",
    "Week",
    "Who",
    "ZoneClearance",
    "ZoneFrequency",
]


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
    """Why something was decided: a stable code for programs, a sentence for people.

    ``values``: what the sentence is made of, so that it can be said in another language; see ``coatclass.reasons``.
    """

    code: str
    text: str
    values: dict[str, Any] = Field(default_factory=dict)


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
            few dogs lie, nats; below 0 hardly a dog; the larger of two looks. None if nobody looked.
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
class AnsweredQuestion:
    """One answer and what it says by itself: log P(answer | category, band), the largest 0, 7 rows of 4."""

    question: str
    answer: Any
    log_likelihood: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class AnswerEvidence:
    """What the answers say about the coat.

    Attributes:
        log_likelihood: log P(answers | category, band), up to a constant; 7 rows (category) of 4 (band).
        answered: names of the questions that contributed, in the questionnaire's order.
        ancestry: log P(coat | names or genes) - log P(coat), 7 rows of 4; None if nobody named any.
        measured_mm: trunk length measured by a person, mm; beats any estimate.
        measured_by: with what: ``ruler`` or ``card``.
        visible: what the answers among them say that a photo shows as well, like ``log_likelihood``; None if there are
            none.
        stated_visible: the same by rows as they are stated, which hold better beside a photo than counted ones.
        by_question: what each answer says by itself; names and genes count as one.
    """

    log_likelihood: tuple[tuple[float, ...], ...]
    answered: tuple[str, ...] = ()
    ancestry: tuple[tuple[float, ...], ...] | None = None
    measured_mm: float | None = None
    measured_by: str = "ruler"
    visible: tuple[tuple[float, ...], ...] | None = None
    stated_visible: tuple[tuple[float, ...], ...] | None = None
    by_question: tuple[AnsweredQuestion, ...] = ()


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
        answers_fit_photo: log of P(answers | what the photo shows) over P(answers | the coat that fits them best), at
            most 0: the lower, the less can both be right. None without both.
        unnamed: P(category) by photo and answers without names and genes; None if these are all that is known, or were
            not named.
    """

    category: tuple[float, ...]
    band: tuple[float, ...]
    regime: Regime
    by_photo: tuple[float, ...] | None = None
    by_answers: tuple[float, ...] | None = None
    unfamiliar: bool = False
    joint: tuple[tuple[float, ...], ...] | None = None
    answers_fit_photo: float | None = None
    unnamed: tuple[float, ...] | None = None


class Verdict(StrEnum):
    """What the program dares to say."""

    SETTLED = "settled"
    NARROWED = "narrowed"
    HANDS_ON = "hands_on"
    NOT_A_DOG = "not_a_dog"
    UNUSABLE_PHOTO = "unusable_photo"


class Clash(Frozen):
    """Photo and answers that can't both be right.

    ``photo``, ``answers``: the likeliest coat by each alone. ``check``: ids of the questions whose answers speak most
    against the photo's coat, the strongest first.
    """

    photo: CoatCategory
    answers: CoatCategory
    check: tuple[str, ...] = ()


@dataclass(frozen=True)
class Decision:
    """The prediction sets, most probable first, the verdict with its reasons, and a clash of photo and answers."""

    categories: tuple[CoatCategory, ...]
    bands: tuple[LengthBand, ...]
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()
    clash: Clash | None = None


# --- decision -> triage ---------------------------------------------------------------------------------------------

Drag = Literal["gentle", "moderate", "strong"]
"""How hard a tool pulls at the hair."""
DRAGS: tuple[Drag, ...] = ("gentle", "moderate", "strong")


class Who(StrEnum):
    """Who looks or works first, in rising order of authority."""

    OWNER = "owner"
    GROOMER = "groomer"
    VET = "vet"


class Touch(StrEnum):
    """The most that may be done in a zone at home, in rising order; each includes those before it."""

    NOTHING = "nothing"
    HANDS = "hands"
    COMB = "comb"
    BRUSH = "brush"

    @property
    def rank(self) -> int:
        """0 (nothing) to 3 (brush)."""
        return _TOUCH_RANK[self]


_TOUCH_RANK = {touch: rank for rank, touch in enumerate(Touch)}


class ZoneClearance(Frozen):
    """What the owner may do in one zone, and by which rules.

    Attributes:
        touch: the most that may be done.
        drag: the strongest tool, where a tool may be used at all.
        knots: loose knots may be worked out at home.
        first: who sees to the zone before anybody else touches it.
    """

    zone: BodyZone
    touch: Touch
    drag: Drag
    knots: bool
    first: Who
    rules: tuple[str, ...] = ()

    def allows(self, drag: Drag, *, comb: bool = False) -> bool:
        """Whether a brush (or comb) of this drag may be used here."""
        enough = self.touch is Touch.BRUSH or (comb and self.touch is Touch.COMB)
        return enough and DRAGS.index(drag) <= DRAGS.index(self.drag)


class Permission(Frozen):
    """Whether something may be done now; if not, who has to look first and by which rules."""

    open: bool = True
    first: Who = Who.OWNER
    rules: tuple[str, ...] = ()


class Triage(Frozen):
    """What may be done with one dog now, where, and by whom. Everything that advises obeys it.

    Attributes:
        zones: the zones that this dog has, in the taxonomy's order.
        session: brushing and combing at home.
        bath, shorter, growth, training, shopping: a bath; cutting shorter by choice; letting it grow; getting used to
            the brush; buying tools for today's coat.
        comes_off: the coat has to come off at the groomer's; what follows is for the length after that.
        first: the highest authority that has to see the dog before anything else, owner if nobody has to.
        rules: every rule that fits, in the order of the data file.
    """

    zones: tuple[ZoneClearance, ...]
    session: Permission = Permission()
    bath: Permission = Permission()
    shorter: Permission = Permission()
    growth: Permission = Permission()
    training: Permission = Permission()
    shopping: Permission = Permission()
    comes_off: bool = False
    first: Who = Who.OWNER
    rules: tuple[str, ...] = ()

    def cleared(self, drag: Drag = "gentle", *, comb: bool = False) -> frozenset[BodyZone]:
        """Zones in which a brush (or comb) of this drag may be used at home.

        While sessions are closed that is for training only, which is a session of seconds: ask ``session`` as well.
        """
        return self._cleared[drag, comb]

    @cached_property
    def _cleared(self) -> dict[tuple[Drag, bool], frozenset[BodyZone]]:
        return {
            (drag, comb): frozenset(one.zone for one in self.zones if one.allows(drag, comb=comb))
            for drag in DRAGS
            for comb in (False, True)
        }

    @cached_property
    def having(self) -> frozenset[BodyZone]:
        """The zones that this dog has."""
        return frozenset(one.zone for one in self.zones)

    @property
    def left_alone(self) -> tuple[BodyZone, ...]:
        """Zones that wait for the groomer or the vet."""
        return tuple(one.zone for one in self.zones if one.touch is Touch.NOTHING)

    @property
    def knots(self) -> frozenset[BodyZone]:
        """Zones in which loose knots may be worked out at home."""
        return frozenset(one.zone for one in self.zones if one.knots and one.touch is Touch.BRUSH)


# --- visits -> planning ---------------------------------------------------------------------------------------------


class Fault(StrEnum):
    """What goes wrong with the brushing at home, as the comb behind the owner's brush shows it."""

    SURFACE_ONLY = "surface_only"
    SKIPPED_ZONES = "skipped_zones"
    WRONG_TOOL = "wrong_tool"
    TOO_SELDOM = "too_seldom"
    WET = "wet"


class TechniqueCheck(Frozen):
    """The owner brushed as at home, the groomer combed behind.

    Attributes:
        passed, stopped: zones where the comb went through to the skin, or did not; no zone is both.
        faults: what went wrong, as the groomer saw it.
        tool: the brush that the owner used, by its id in the catalogue; None if nobody said.
    """

    passed: tuple[BodyZone, ...] = ()
    stopped: tuple[BodyZone, ...] = ()
    faults: tuple[Fault, ...] = ()
    tool: str | None = None

    @model_validator(mode="after")
    def _no_zone_is_both(self) -> Self:
        if set(self.passed) & set(self.stopped):
            raise ValueError("a zone either passed or stopped the comb, not both")
        if not self.passed and not self.stopped:
            raise ValueError("a check names at least one zone")
        return self

    @property
    def good(self) -> bool:
        """Whether the comb went through everywhere and nothing was found wrong."""
        return not self.stopped and not self.faults


class VisitNote(Frozen):
    """What one visit left behind; whatever nobody noted is None or empty. ``minutes`` were spent on the table."""

    on: date
    check: TechniqueCheck | None = None
    mats: dict[BodyZone, MatState] = Field(default_factory=dict)
    minutes: float | None = Field(default=None, gt=0)
    length_mm: float | None = Field(default=None, ge=0)


# --- triage -> toolkit -> care --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CoatSituation:
    """Everything that the tool rules and the care plan look at.

    Sets hold what is still possible. An empty ``textures`` or ``undercoats`` means that nobody said.

    Attributes:
        categories: categories still possible, never empty for a kit.
        bands: length bands still possible.
        shares: how likely each category is, as far as somebody reckoned it, [0, 1]; empty if nobody did.
        measured_mm: trunk length measured by a person, mm.
        mats: mat state by zone; zones not named are taken as unknown, not as free of mats.
        hand_stripped: the top coat is kept by stripping, not by clipping.
        weeks_since_stripped: since the top coat was last stripped by hand; None if nobody said.
        clipped: the coat was cut to its present length and is not at its natural one.
        sparse: the hair is thin or fine enough that the skin shows through.
        sensitive_skin, skin_trouble: what the owner reports.
        expecting: pregnant or nursing.
        corded: the coat hangs in cords, or the breed's does and nobody said that this one is kept loose.
        hairless: the breed is one without hair on its trunk, and nobody said that this dog has a coat.
        skin: the trouble by zone, as far as somebody said where.
        notes: what earlier visits left behind, the oldest first.
    """

    categories: frozenset[CoatCategory]
    bands: frozenset[LengthBand]
    measured_mm: float | None = None
    textures: frozenset[Texture] = frozenset()
    undercoats: frozenset[Undercoat] = frozenset()
    mats: Mapping[BodyZone, MatState] = field(default_factory=dict)
    patience: Patience | None = None
    hand_stripped: bool | None = None
    weeks_since_stripped: float | None = None
    clipped: bool | None = None
    sparse: bool | None = None
    long_furnishings: bool | None = None
    sensitive_skin: bool | None = None
    skin_trouble: frozenset[str] = frozenset()
    skin: Mapping[BodyZone, str] = field(default_factory=dict)
    age_months: float | None = None
    weight_kg: float | None = None
    expecting: bool | None = None
    corded: bool = False
    hairless: bool = False
    swims: bool | None = None
    wears_harness: bool | None = None
    wears_clothing: bool | None = None
    collar_on_full_neck: bool | None = None
    baths_per_month: float | None = None
    brushed_before_bath: Literal["always", "sometimes", "never"] | None = None
    days_since_combed: float | None = None
    minutes_per_week: float | None = None
    wished_length_mm: float | None = None
    notes: tuple[VisitNote, ...] = ()
    shares: Mapping[CoatCategory, float] = field(default_factory=dict)

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
    ``cautions`` are codes of the cautions that matter at this step.
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
        sessions_per_week: rounds a week, and days a week on which the zones at risk are combed; see :class:`Week`.
        minutes_per_session: low and high; None without a weight.
        hold: not empty while nobody brushes at home; says why, and who comes first.
        leave: zones that the owner must not work on; they wait for the groomer or the vet.
        zones: how often which zones want the comb, the most frequent first.
        bath: its rule in one sentence, or why there is none now; ``bath_steps``: the bath day in order.
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


class Week(Frozen):
    """The one truth about how often: every sentence, strip and calendar entry says this.

    Attributes:
        rounds: times a week that the whole dog is brushed and combed through.
        sittings: days a week with a sitting; more than ``rounds`` where a round is split because the dog takes only
            short sittings.
        sitting_minutes: length of one sitting, minutes; None where nobody told the dog's weight.
        touch_ups: further days on which only the zones at risk are gone over.
        touch_up_zones: these zones.
        days: what is due from Monday to Sunday.
    """

    rounds: int = Field(ge=1, le=7)
    sittings: int = Field(ge=1, le=7)
    sitting_minutes: float | None = None
    touch_ups: int = Field(ge=0, le=6)
    touch_up_zones: tuple[BodyZone, ...] = ()
    days: tuple[Literal["session", "touch_up", ""], ...]


class TrainingStep(Frozen):
    """One step of getting used to the brush: so many seconds a day for so many days, what to do, when to go on."""

    days: int = Field(ge=1)
    seconds: float = Field(gt=0)
    do: str
    go_on_when: str


class LengthAdvice(Frozen):
    """Which length goes with this coat, the mats in it, the week and the dog.

    ``kind``: fits (as it is), may_grow (up to ``mm``), not_longer (at most ``mm``), shorter (ask for ``mm``), not_cut
    (a double coat: brushed out, not cut), comes_off (the groomer decides), ask (nobody said how much time).
    """

    kind: Literal["fits", "may_grow", "not_longer", "shorter", "not_cut", "comes_off", "ask"]
    mm: float | None = None
    text: str


class PlanChange(Frozen):
    """What the last technique check changes in the plan, and the rule behind it.

    ``kind``: technique, kit, frequency, length; keep (go on as before); wait (the dog may not be brushed now).
    """

    kind: Literal["technique", "kit", "frequency", "length", "keep", "wait"]
    rule: str
    text: str
    zones: tuple[BodyZone, ...] = ()
    source: str


class ToFeel(Frozen):
    """A touch that helps to tell a doubtful coat: where, and which coats are left after each outcome."""

    touch: str
    zones: tuple[BodyZone, ...]
    says: dict[str, tuple[CoatCategory, ...]]


class Guard(Frozen):
    """A comb or guard of the salon's own clippers and the length that it leaves, mm."""

    name: str
    mm: float = Field(gt=0, le=100)


class ClipRung(Frozen):
    """One visit of the weeks to come.

    Attributes:
        kind: clip (to ``mm``), tidy (the length stays or grows), brush_out (a coat that is not cut), strip (by hand).
        on: about when.
        grown_mm: trunk length that is expected by then; None where nothing is forecast.
        mm, guard: length to leave on the trunk and the salon's guard for it; None for none.
    """

    kind: Literal["clip", "tidy", "brush_out", "strip"]
    on: date
    grown_mm: float | None = None
    mm: float | None = None
    guard: Guard | None = None
    text: str


class Ask(Frozen):
    """What to tell or ask the groomer or vet at the visit, and the triage rule behind it."""

    who: Who
    rule: str
    text: str
    zones: tuple[BodyZone, ...] = ()


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


class PhaseAdvice(Frozen):
    """Tools, routine, week, length and training of one phase of the plan; see :class:`Assessment`."""

    kit: tuple[KitItem, ...] = ()
    routine: Routine
    week: Week | None = None
    length: LengthAdvice | None = None
    training: tuple[TrainingStep, ...] = ()


class Assessment(Frozen):
    """The whole answer for one dog; stable and versioned.

    ``category`` and ``length_band`` are null when nothing that was given can carry an estimate. Records of version 1
    still read: they have only ``kit``, ``routine`` and ``cautions``, and no zones there means the whole dog.

    Attributes:
        triage: what may be done with the dog now, where and by whom.
        visit: what to tell or ask vet and groomer.
        kit, routine, week, length, training: what is safe now.
        after: the same after the visit or the training; null if now already is the whole plan.
        grown: a puppy's as an adult.
        changes: what the last technique check changes.
        feel: what to feel for while only hands can tell.
    """

    schema_version: Literal[1, 2] = 2
    model_version: str
    rules_version: str
    photos: tuple[PhotoReport, ...] = ()
    regime: Regime
    category: CategoryEstimate | None
    length_band: BandEstimate | None
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()
    next_question: Question | None = None
    triage: Triage | None = None
    visit: tuple[Ask, ...] = ()
    kit: tuple[KitItem, ...] = ()
    routine: Routine | None = None
    week: Week | None = None
    length: LengthAdvice | None = None
    training: tuple[TrainingStep, ...] = ()
    after: PhaseAdvice | None = None
    grown: PhaseAdvice | None = None
    cautions: tuple[Caution, ...] = ()
    clash: Clash | None = None
    changes: tuple[PlanChange, ...] = ()
    feel: tuple[ToFeel, ...] = ()
