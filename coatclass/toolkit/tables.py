"""The values of this room (tools, rules, harm, one possible coat), and reading and checking its data."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any, Literal, Protocol, cast

from coatclass import triage, words
from coatclass.contract import DRAGS, Drag, Role, Specification
from coatclass.errors import ModelFilesError
from coatclass.resources import read_csv, read_toml
from coatclass.taxonomy import (
    BANDS,
    CATEGORIES,
    BodyZone,
    CoatCategory,
    LengthBand,
    MatState,
    Texture,
    Undercoat,
    band_of_mm,
)

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
    """A tool, described by its kind.

    ``part``: what touches the coat, one of ``PARTS``; ``sources``: where each number comes from, by field.
    """

    id: str
    family: str
    job: str
    drag: Drag
    blade: bool
    specification: Specification
    pin_gap_mm: tuple[float, float] | None
    width_mm: tuple[float, float] | None
    two_spacings: bool
    part: str
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
    bare: Flag = "no"
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
class ToolRule:
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

    def fits(self, coat: PossibleCoat, *, whatever: Collection[str] = ()) -> bool:
        """Whether every condition holds for this coat, whatever the fields named may be.

        Where there is next to no hair only rules that are made for it hold.
        """
        if coat.bare == "yes" and "bare" not in self.conditions:
            return False
        if self.length is not None and not self.length.holds(coat.length_mm):
            return False
        if self.mats and not self.mats & coat.mats:
            return False
        return all(name in whatever or getattr(coat, name) in allowed for name, allowed in self.conditions.items())


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


# --- reading the data -----------------------------------------------------------------------------------------------


FOLDER = Path(__file__).with_name("data")
LIMITS_MM = (9, 19, 25, 75)
HARM_CONDITIONS = ("", "hand_stripped", "natural", "clipped", "sparse", "sensitive_skin")

_SETS: dict[str, tuple[str, ...]] = {
    "categories": tuple(CoatCategory),
    "textures": tuple(Texture),
    "undercoats": tuple(Undercoat),
    "hand_stripped": ("yes", "no", "unknown"),
    "clipped": ("yes", "no", "unknown"),
    "long_furnishings": ("yes", "no", "unknown"),
}
_WORDS = {"sparse": ("yes", "no"), "sensitive_skin": ("yes", "no"), "bare": ("yes",)}
_FIELD = {"categories": "category", "textures": "texture", "undercoats": "undercoat"}
_RULE_KEYS = {"id", "tool", "role", "why", "source", "order", "zones", "length", "mats", *_SETS, *_WORDS}
PARTS = ("pins", "bristles", "nubs")
_SPECIFIED = ("pin_length_mm", "pin_gap_mm", "tooth_length_mm", "tooth_gap_mm", "width_mm")


def damaged(file: str, problem: str) -> ModelFilesError:
    """The error for a data file whose content makes no sense."""
    return ModelFilesError(
        f"toolkit/{file}", problem, "Correct the file, or install coatclass again.", code="damaged_data"
    )


def _known(value: str, allowed: Iterable[str], file: str, what: str) -> str:
    if value not in allowed:
        raise damaged(file, f"{what} is '{value}', but must be one of {', '.join(allowed)}.")
    return value


# --- catalogue -----------------------------------------------------------------------------------------------------


@cache
def catalogue(file: str = "catalogue.toml") -> Mapping[str, Tool]:
    """Every tool by its id, in the order of the file."""
    return {tool_id: _tool(tool_id, row, file) for tool_id, row in read_toml(FOLDER / file)["tool"].items()}


def _tool(tool_id: str, row: Mapping[str, Any], file: str) -> Tool:
    for key in ("family", "job", "drag"):
        if key not in row:
            raise damaged(file, f"tool {tool_id} has no '{key}'.")
    ranges: dict[str, tuple[float, float]] = {}
    sources: dict[str, str] = {}
    for key in _SPECIFIED:
        if key in row:
            low, high = row[key]["range"]
            if not 0 < low < high:
                raise damaged(file, f"tool {tool_id}: {key} must rise from above 0, not {low} to {high}.")
            if not row[key].get("source"):
                raise damaged(file, f"tool {tool_id}: {key} has no source.")
            ranges[key], sources[key] = (float(low), float(high)), row[key]["source"]
    return Tool(
        id=tool_id,
        family=row["family"],
        job=row["job"],
        drag=cast(Drag, _known(row["drag"], DRAGS, file, f"the drag of {tool_id}")),
        blade=row.get("blade", False),
        specification=Specification(
            pin_length_mm=ranges.get("pin_length_mm"),
            tooth_length_mm=ranges.get("tooth_length_mm"),
            tooth_gap_mm=ranges.get("tooth_gap_mm"),
            stiffness=row.get("stiffness"),
            tip=row.get("tip"),
            size=row.get("size"),
        ),
        pin_gap_mm=ranges.get("pin_gap_mm"),
        width_mm=ranges.get("width_mm"),
        two_spacings=row.get("two_spacings", False),
        part=_known(row.get("part", PARTS[0]), PARTS, file, f"the part of {tool_id}"),
        sources=sources,
    )


# --- rules ---------------------------------------------------------------------------------------------------------


@cache
def rule_file(file: str = "rules.toml") -> Mapping[str, Any]:
    """The rule file as it is."""
    return read_toml(FOLDER / file)


@cache
def zone_group(name: str) -> tuple[BodyZone, ...]:
    """The zones of a named group, in the taxonomy's order."""
    groups = rule_file()["zones"]
    names = {_known(zone, list(BodyZone), "rules.toml", f"a zone of {name}") for zone in groups[name]}
    return tuple(zone for zone in BodyZone if zone in names)


@cache
def tool_rules() -> tuple[ToolRule, ...]:
    """Every rule, in the order of the file."""
    rules = tuple(parse_rule(row) for row in rule_file()["rule"])
    ids = [rule.id for rule in rules]
    if len(set(ids)) < len(ids):
        raise damaged("rules.toml", "two rules have the same id.")
    return rules


def parse_rule(row: Mapping[str, Any], file: str = "rules.toml") -> ToolRule:
    """One rule from its row.

    Raises:
        ModelFilesError: naming the rule and what is wrong with it.
    """
    name = f"rule {row.get('id', '(without id)')}"
    missing = {"id", "tool", "role", "order", "source"} - set(row)
    unknown = set(row) - _RULE_KEYS
    if missing or unknown:
        raise damaged(file, f"{name}: missing {sorted(missing)}, unknown {sorted(unknown)}.")
    _known(row["tool"], catalogue(), file, f"{name}: the tool")
    role = Role(_known(row["role"], list(Role), file, f"{name}: the role"))
    if role is not Role.AVOID and "zones" not in row:
        raise damaged(file, f"{name}: says no zones.")
    matted = row.get("zones") == "matted"
    if "zones" in row and not matted:
        _known(row["zones"], rule_file()["zones"], file, f"{name}: the group of zones")
    return ToolRule(
        id=row["id"],
        tool=row["tool"],
        role=role,
        why=row.get("why", row["id"]),
        source=row["source"],
        order=row["order"],
        zones=zone_group(row["zones"]) if "zones" in row and not matted else (),
        only_matted_zones=matted,
        length=_length(row["length"], name, file) if "length" in row else None,
        mats=frozenset(MatState(_known(state, list(MatState), file, f"{name}: mats")) for state in row.get("mats", ())),
        conditions=_conditions(row, name, file),
    )


def _conditions(row: Mapping[str, Any], name: str, file: str) -> Mapping[str, frozenset[str]]:
    conditions: dict[str, frozenset[str]] = {}
    for key, allowed in _SETS.items():
        if key in row:
            conditions[_FIELD.get(key, key)] = frozenset(_known(v, allowed, file, f"{name}: {key}") for v in row[key])
    for key, allowed in _WORDS.items():
        if key in row:
            conditions[key] = frozenset({_known(row[key], allowed, file, f"{name}: {key}")})
    return conditions


def _length(row: Mapping[str, float], name: str, file: str) -> LengthRange:
    for key, limit in row.items():
        _known(key, ("from", "above", "below", "up_to"), file, f"{name}: a limit of length")
        if limit not in LIMITS_MM:
            raise damaged(file, f"{name}: {limit} mm lies inside a length band; use one of {LIMITS_MM}.")
    low = row.get("from", row.get("above", 0))
    high = row.get("below", row.get("up_to", float("inf")))
    return LengthRange(low, high, low_included="above" not in row, high_included="below" not in row)


# --- harm ----------------------------------------------------------------------------------------------------------

HarmKey = tuple[str, CoatCategory, str, str]
"""Tool, category, texture or `any`, condition or nothing."""


@cache
def harm_table() -> Mapping[HarmKey, tuple[str, Mapping[LengthBand, HarmCell]]]:
    """The harm table with lists and `any` written out: effect (base, replaces, raises) and a cell for each band."""
    return parse_harm(read_csv(FOLDER / "harm.csv"))


def parse_harm(rows: Iterable[Mapping[str, str]]) -> Mapping[HarmKey, tuple[str, Mapping[LengthBand, HarmCell]]]:
    """Read, write out and check rows of the harm table.

    Raises:
        ModelFilesError: for an unknown word, a row without source, a row given twice, or a tool without its base row.
    """
    file = "harm.csv"
    table: dict[HarmKey, tuple[str, Mapping[LengthBand, HarmCell]]] = {}
    for number, row in enumerate(rows, start=2):
        where = f"line {number}"
        if not row["source"]:
            raise damaged(file, f"{where} has no source.")
        tool = _known(row["tool"], catalogue(), file, f"{where}: the tool")
        effect = _known(row["effect"], ("base", "replaces", "raises"), file, f"{where}: the effect")
        condition = _known(row["condition"], HARM_CONDITIONS, file, f"{where}: the condition")
        cells = {band: _cell(tool, row[band], row["reason"], where) for band in BANDS}
        for category in _listed(row["category"], tuple(CATEGORIES), where):
            for texture in ("any",) if row["texture"] == "any" else _listed(row["texture"], tuple(Texture), where):
                if (effect == "base") != (texture == "any" and not condition):
                    raise damaged(file, f"{where}: a base row, and only a base row, has no texture and no condition.")
                key = (tool, CoatCategory(category), texture, condition)
                if key in table:
                    raise damaged(file, f"{where} repeats {' / '.join(key)}.")
                table[key] = (effect, cells)
    for tool in catalogue():
        for category in CATEGORIES:
            if (tool, category, "any", "") not in table:
                raise damaged(file, f"has no base row for {tool} on {category}.")
    return table


def _listed(text: str, words: tuple[str, ...], where: str) -> tuple[str, ...]:
    if text == "any":
        return words
    return tuple(_known(word, words, "harm.csv", where) for word in text.split("|"))


def _cell(tool: str, harm: str, reason: str, where: str) -> HarmCell:
    value = Harm(_known(harm, list(Harm), "harm.csv", f"{where}: a harm"))
    return HarmCell(value, "" if value is Harm.NONE else reason or f"{tool}.{value}")


# --- texts and version ---------------------------------------------------------------------------------------------


def texts(language: str = "en") -> words.Catalogue:
    """The texts about tools in a language.

    Raises:
        InputError: for a language without texts.
    """
    return words.catalogue(language, "toolkit")


def message(language: str, key: str, **values: object) -> str:
    """One sentence of the section [message], its gaps filled."""
    return texts(language).say(f"message.{key}", **values)


@cache
def rules_version() -> str:
    """Version of everything that shapes a kit, triage included: a number for people and a digest."""
    digest = hashlib.sha256()
    for file in (*(FOLDER / name for name in ("catalogue.toml", "rules.toml", "harm.csv")), triage.RULE_FILE):
        # Line endings differ between checkouts; the rules don't.
        digest.update(file.read_bytes().replace(b"\r\n", b"\n"))
    return f"{rule_file()['version']}+{digest.hexdigest()[:8]}"
