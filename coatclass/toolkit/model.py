"""The values of this room: tools, rules, harm, and one coat that a dog may have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, Protocol

from coatclass.contract import Drag, Role, Specification
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Texture, Undercoat, band_of_mm

Flag = Literal["yes", "no", "unknown"]


class Harm(StrEnum):
    """What a tool does to a coat that it isn't made for; mildest first."""

    NONE = "none"
    INEFFECTIVE = "ineffective"
    BREAKS_HAIR = "breaks_hair"
    MATS = "mats"
    CUTS = "cuts"
    BURNS = "burns"

    @property
    def severity(self) -> int:
        """0 (none) to 5 (burns); the steps among the harms proper only settle which one is named."""
        return _SEVERITY[self]

    @property
    def forbids(self) -> bool:
        """True for everything above `ineffective`: such a tool never enters a kit."""
        return self.severity > Harm.INEFFECTIVE.severity


_SEVERITY = {harm: place for place, harm in enumerate(Harm)}


@dataclass(frozen=True)
class Tool:
    """A tool, described by its kind. ``sources``: where each number comes from, by field."""

    id: str
    family: str
    job: str
    drag: Drag
    blade: bool
    specification: Specification
    pin_gap_mm: tuple[float, float] | None
    width_mm: tuple[float, float] | None
    two_spacings: bool
    sources: Mapping[str, str]

    @property
    def combs(self) -> bool:
        """Whether it may be used where only a comb is allowed."""
        return self.family in ("comb", "face_comb", "tail_comb")


@dataclass(frozen=True)
class PossibleCoat:
    """One coat that the dog may have, together with what is known of the dog.

    ``length_mm`` stands for the whole band unless it was measured. ``mats``: states of the knots that may be worked on,
    and of those too tight for it.
    """

    category: CoatCategory
    length_mm: float
    texture: Texture
    undercoat: Undercoat
    hand_stripped: Flag = "unknown"
    clipped: Flag = "unknown"
    long_furnishings: Flag = "unknown"
    sparse: Flag = "no"
    sensitive_skin: Flag = "no"
    mats: frozenset[MatState] = frozenset()

    @property
    def band(self) -> LengthBand:
        """The band of the length."""
        return band_of_mm(self.length_mm)


@dataclass(frozen=True)
class LengthRange:
    """A range of trunk hair length, mm, each end included or not."""

    low: float
    high: float
    low_included: bool
    high_included: bool

    def holds(self, length_mm: float) -> bool:
        """Whether a length lies in the range."""
        above = length_mm >= self.low if self.low_included else length_mm > self.low
        below = length_mm <= self.high if self.high_included else length_mm < self.high
        return above and below


@dataclass(frozen=True)
class Rule:
    """One rule: its conditions (what it doesn't name is free), and the role that the tool then has.

    ``only_matted_zones``: the tool is for the zones with knots of the states in ``mats``, not for ``zones``.
    """

    id: str
    tool: str
    role: Role
    why: str
    source: str
    order: int
    zones: tuple[BodyZone, ...]
    only_matted_zones: bool
    length: LengthRange | None
    mats: frozenset[MatState]
    conditions: Mapping[str, frozenset[str]]

    def fits(self, coat: PossibleCoat) -> bool:
        """Whether every condition holds for this coat."""
        if self.length is not None and not self.length.holds(coat.length_mm):
            return False
        if self.mats and not self.mats & coat.mats:
            return False
        return all(getattr(coat, name) in allowed for name, allowed in self.conditions.items())


@dataclass(frozen=True)
class HarmCell:
    """Harm of one tool on one coat, and the key of the sentence that says why (empty for `none`)."""

    harm: Harm
    reason: str


@dataclass(frozen=True)
class RuleRecord:
    """One rule for people to read: who it is about, what it does, why, and where it comes from.

    ``tool`` is the id of a tool, or several ids with commas, or empty where a rule is about none in particular.
    """

    id: str
    tool: str
    role: str
    when: str
    why: str
    source: str


class OwnedToolLike(Protocol):
    """A tool that an owner describes. Every field but ``kind`` may be None: nobody knows."""

    @property
    def kind(self) -> str:
        """A family (slicker, pin_brush, comb, ...) or the id of a tool of the catalogue."""

    @property
    def pin_length_mm(self) -> float | None:
        """Length of the pins, mm."""

    @property
    def pin_tip(self) -> str | None:
        """plain, ball, coated or plastic."""

    @property
    def stiffness(self) -> str | None:
        """soft, medium, firm or extra_stiff."""

    @property
    def tooth_gap_mm(self) -> float | None:
        """Gap between two teeth, mm."""

    @property
    def blade(self) -> bool | None:
        """Whether the tool has a cutting edge."""
