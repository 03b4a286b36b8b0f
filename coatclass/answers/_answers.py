"""The answers about one dog: which are possible, which contradict each other, and reading them from JSON."""

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StrictBool, StringConstraints, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from coatclass import breeds
from coatclass.answers.questionnaire import hold_all, question
from coatclass.contract import CoatSituation, Frozen, Reason
from coatclass.errors import AnswersError
from coatclass.plain_text import printable
from coatclass.reasons import reason
from coatclass.resources import read_toml
from coatclass.taxonomy import BodyZone, CoatCategory, Curl, LengthBand, Lie, MatState, Patience, Texture, Undercoat

_CHECKS = Path(__file__).with_name("data") / "checks.toml"
_DAYS_PER_WEEK = 7

SkinTrouble = Literal["sores", "redness", "smell", "pain", "parasites", "lump", "ear_trouble"]


def _blank_is_skipped(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


def _bounded(question_id: str) -> Any:
    """A number with the questionnaire's bounds, so that they are written down only once."""
    spec = question(question_id)
    return Field(default=None, ge=spec.minimum, le=spec.maximum)


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Millimetres = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=100)]
Percent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
Name = Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1, max_length=80)]
Text = Annotated[Name | None, BeforeValidator(_blank_is_skipped)]


class OwnedTool(Frozen):
    """A tool that the owner already has, described by what it is; lengths and gaps in mm."""

    kind: Name
    pin_length_mm: Millimetres | None = None
    pin_tip: Literal["plain", "ball", "coated", "plastic"] | None = None
    stiffness: Literal["soft", "medium", "firm", "extra_stiff"] | None = None
    tooth_gap_mm: Millimetres | None = None
    blade: StrictBool | None = None


class Answers(Frozen):
    """Everything that an owner or groomer said about one dog; None means skipped.

    Units are in the names. Bounds come from the questionnaire. Values that can't all be true are refused;
    values that merely surprise are named by :func:`coatclass.answers.doubts`.
    """

    # evidence about the coat
    breed: Text = None
    parents: Annotated[tuple[Name, ...], Field(max_length=2)] | None = None
    breed_known_by: Literal["papers", "dna_test", "guess"] | None = None
    dna_breeds: Annotated[dict[Name, Percent], Field(max_length=40)] | None = None
    age_months: Number | None = _bounded("age_months")
    feel: Texture | None = None
    curl: Curl | None = None
    undercoat_seen: Undercoat | None = None
    lie: Lie | None = None
    shedding: Literal["little", "seasonal", "steady"] | None = None
    keeps_growing: StrictBool | None = None
    beard_and_brows: StrictBool | None = None
    trunk_length_mm: Number | None = _bounded("trunk_length_mm")
    trunk_length_by: Literal["ruler", "card", "finger", "eye"] | None = None
    last_trim_weeks: Number | None = _bounded("last_trim_weeks")
    last_trim_how: Literal["clipped", "scissored", "hand_stripped", "never"] | None = None
    comb_reaches_skin: StrictBool | None = None
    top_coat_lets_go: StrictBool | None = None
    wet_lock_curls: StrictBool | None = None

    # how the coat is lived in
    weight_kg: Number | None = _bounded("weight_kg")
    mats: dict[BodyZone, MatState] | None = None
    baths_per_month: Number | None = _bounded("baths_per_month")
    brushed_before_bath: Literal["always", "sometimes", "never"] | None = None
    expecting: StrictBool | None = None
    corded: StrictBool | None = None
    swims: StrictBool | None = None
    wears_harness: StrictBool | None = None
    wears_clothing: StrictBool | None = None
    collar_on_full_neck: StrictBool | None = None
    patience: Patience | None = None
    minutes_per_week: Number | None = _bounded("minutes_per_week")
    wished_length_mm: Number | None = _bounded("wished_length_mm")
    skin_trouble: Annotated[tuple[SkinTrouble, ...], Field(max_length=20)] | None = None
    skin_where: dict[BodyZone, SkinTrouble] | None = None
    sensitive_skin: StrictBool | None = None
    sparse_hair: StrictBool | None = None
    long_furnishings: StrictBool | None = None
    days_since_combed: Number | None = _bounded("days_since_combed")
    owned_tools: Annotated[tuple[OwnedTool, ...], Field(max_length=50)] | None = None
    dna_result: Annotated[dict[Name, Name], Field(max_length=40)] | None = None

    @model_validator(mode="after")
    def _can_all_be_true(self) -> Self:
        found = contradictions(self)
        if found:
            raise PydanticCustomError("contradiction", "{texts}", {"texts": " ".join(r.text for r in found)})
        return self

    @property
    def measured_mm(self) -> float | None:
        """Trunk length that counts as measured: by ruler or card, or by somebody who didn't say otherwise; mm."""
        return None if self.trunk_length_by in ("finger", "eye") else self.trunk_length_mm


# --- what the answers say about each other ----------------------------------------------------------------------------


def doubts(answers: Answers) -> tuple[Reason, ...]:
    """Answers that are unlikely together, worded as a request to look again."""
    return _found("doubt", answers)


def contradictions(answers: Answers) -> tuple[Reason, ...]:
    """Answers that can't all be true; an :class:`Answers` never holds any."""
    return (*_found("contradiction", answers), *_longer_ago_than_born(answers), *_more_than_whole(answers))


def _found(section: str, answers: Answers) -> tuple[Reason, ...]:
    rows: list[dict[str, Any]] = read_toml(_CHECKS)[section]
    return tuple(reason(row["code"]) for row in rows if hold_all(row["when"], answers))


def _longer_ago_than_born(answers: Answers) -> tuple[Reason, ...]:
    if answers.age_months is None:
        return ()
    limits = read_toml(_CHECKS)["limits"]
    alive_days = (answers.age_months + limits["rounding_months"]) * limits["days_per_month"]
    ago_days = {
        "trim": (answers.last_trim_weeks or 0) * _DAYS_PER_WEEK,
        "comb_through": answers.days_since_combed or 0,
    }
    return tuple(
        reason("before_birth", months=f"{answers.age_months:g}", what=what)
        for what, days in ago_days.items()
        if days > alive_days
    )


def _more_than_whole(answers: Answers) -> tuple[Reason, ...]:
    total = sum((answers.dna_breeds or {}).values())
    if total <= read_toml(_CHECKS)["limits"]["dna_breeds_at_most_percent"]:
        return ()
    return (reason("over_100_percent", total=f"{total:g}"),)


_LIMITS = read_toml(Path(__file__).with_name("data") / "checks.toml")["limits"]
_SIMILAR = 60  # of 100; a worse suggestion confuses more than it helps
_SHOWN = 40  # characters of an offending value or name that a message repeats
_TOLD = 20  # wrong answers that are named at once; no form has more


@dataclass(frozen=True)
class Problem:
    """What is wrong with one answer: where (dotted path, empty for the whole), a stable code, and plain words."""

    field: str
    code: str
    text: str


def parse(data: Mapping[str, Any] | str | bytes | Path) -> Answers:
    """Read answers from a mapping, a JSON text, JSON bytes (UTF-8) or a JSON file.

    Raises:
        AnswersError: naming every problem, the first 20 of them; ``code`` is that of the first.
    """
    source = data.name if isinstance(data, Path) else "answers"
    values = _load(data, source)
    answers, found = _validate(values)
    if answers is None:
        lines = " ".join(f"({n}) {p.text}" for n, p in enumerate(found, 1)) if len(found) > 1 else found[0].text
        fix = "Correct or remove this answer" if len(found) == 1 else "Correct or remove these answers"
        raise AnswersError(source, lines, f"{fix}; every question may be left out.", code=found[0].code)
    return answers


def problems(data: Mapping[str, Any]) -> tuple[Problem, ...]:
    """What :func:`parse` would refuse in a mapping, one by one, 20 at most; empty if it is fine."""
    return _validate(data)[1]


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of an answers file."""
    schema = Answers.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


# --- reading --------------------------------------------------------------------------------------------------------


def _load(data: Mapping[str, Any] | str | bytes | Path, source: str) -> Mapping[str, Any]:
    if isinstance(data, Mapping):
        return data
    if isinstance(data, Path):
        data = _read_file(data, source)
    if isinstance(data, bytes):
        data = _decode(data, source)
    if len(data) > _LIMITS["file_bytes"]:
        raise _too_large(source)
    return _read_json(data, source)


def _read_file(path: Path, source: str) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(_LIMITS["file_bytes"] + 1)  # one more than allowed, to notice a file that is too large
    except FileNotFoundError:
        raise AnswersError(source, "there is no such file.", "Check the name and the folder.", code="missing") from None
    except IsADirectoryError:
        raise AnswersError(source, "is a folder, not a file.", "Name the JSON file itself.", code="folder") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "the name is not a file name"
        raise AnswersError(source, f"can't be read ({why}).", "Check the file.", code="unreadable") from None


def _decode(data: bytes, source: str) -> str:
    if len(data) > _LIMITS["file_bytes"]:
        raise _too_large(source)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise AnswersError(
            source, "is not text in UTF-8.", "Save it as a JSON file with the encoding UTF-8.", code="encoding"
        ) from None


def _too_large(source: str) -> AnswersError:
    kilobytes = _LIMITS["file_bytes"] // 1024
    return AnswersError(
        source, f"is larger than {kilobytes} kB, too large for answers.", "Check that it is the right file.",
        code="too_large",
    )  # fmt: skip


def _read_json(text: str, source: str) -> dict[str, Any]:
    doubled: list[str] = []

    def no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        times = Counter(name for name, _ in pairs)
        doubled.extend(sorted(name for name, number in times.items() if number > 1))
        return dict(pairs)

    try:
        values = json.loads(text, object_pairs_hook=no_doubles)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        what = "is empty." if not text.strip() else f"is not JSON ({where}: {error.msg})."
        raise AnswersError(
            source, what, 'Answers look like this: {"feel": "silky", "age_months": 30}.', code="not_json"
        ) from None
    except (RecursionError, ValueError):
        raise AnswersError(
            source, "is JSON, but far too deep or with a far too long number.", "Check the file.", code="not_answers"
        ) from None
    if not isinstance(values, dict):
        raise AnswersError(
            source, f"holds {_kind(values)}, not answers by name.",
            'Answers look like this: {"feel": "silky", "age_months": 30}.', code="not_answers",
        )  # fmt: skip
    if doubled:
        names = ", ".join(f"'{_cut(name)}'" for name in doubled[:_TOLD])
        raise AnswersError(source, f"answers {names} more than once.", "Keep one answer a question.", code="doubled")
    return values


# --- checking -------------------------------------------------------------------------------------------------------


def _validate(values: Mapping[Any, Any]) -> tuple[Answers | None, tuple[Problem, ...]]:
    """The answers, or None with all problems: of single answers first, then between those that are fine."""
    rest = {printable(str(name)): value for name, value in values.items()}
    found: list[Problem] = []
    while True:
        try:
            answers = Answers.model_validate(rest)
        except ValidationError as error:
            details = error.errors(include_url=False)
            bad = {str(detail["loc"][0]) for detail in details if detail["loc"]}
            if not bad:
                found += [Problem("", reason.code, reason.text) for reason in _between(rest)]
                return None, tuple(found)
            found += [_plain(detail) for detail in details[: _TOLD - len(found)]]
            rest = {name: value for name, value in rest.items() if name not in bad}
        else:
            return (None if found else answers), tuple(found)


def _between(values: dict[str, Any]) -> Sequence[Any]:
    """The contradictions in values that are fine one by one."""
    fields = {name: field.get_default() for name, field in Answers.model_fields.items()}
    return contradictions(Answers.model_construct(**{**fields, **values}))


def _plain(detail: ErrorDetails) -> Problem:
    path = [_cut(str(step)) for step in detail["loc"] if step != "[key]"]
    where, kind = ".".join(path), detail["type"]
    if kind == "extra_forbidden":
        known = list(Answers.model_fields) if len(path) == 1 else ["kind", *_tool_fields()]
        return Problem(where, "unknown", f"'{where}' is not a question.{_did_you_mean(path[-1], known)}")
    if kind == "missing":
        return Problem(where, "missing_part", f"'{where}' is missing.")
    return Problem(where, _code(kind), f"'{where}' must be {_wanted(detail, path)}, not {_shown(detail['input'])}.")


def _tool_fields() -> list[str]:
    from coatclass.answers._answers import OwnedTool

    return list(OwnedTool.model_fields)


def _code(kind: str) -> str:
    if kind in ("enum", "literal_error"):
        return "unknown_choice"
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"):
        return "out_of_range"
    return "too_much" if kind in ("too_long", "string_too_long") else "wrong_type"


def _wanted(detail: ErrorDetails, path: list[str]) -> str:
    kind, limits = detail["type"], detail.get("ctx", {})
    if kind in ("enum", "literal_error"):
        choices = [choice.strip("'") for choice in str(limits["expected"]).replace(" or ", ", ").split(", ")]
        hint = _did_you_mean(detail["input"], choices) if isinstance(detail["input"], str) else ""
        return f"one of {', '.join(choices)}{hint and f' ({hint.strip()})'}"
    if kind in ("float_type", "float_parsing", "finite_number", "greater_than", "greater_than_equal",
                "less_than", "less_than_equal"):  # fmt: skip
        return _number_wanted(path)
    return {
        "bool_type": "true or false",
        "tuple_type": "a list, such as [...]",
        "dict_type": "pairs of name and value, such as {...}",
        "model_type": 'a description such as {"kind": "comb"}',
        "string_type": "a text in quotes",
        "string_too_short": "a text that isn't empty",
        "string_too_long": f"a text of at most {limits.get('max_length')} characters",
        "too_long": f"at most {limits.get('max_length')} entries",
    }.get(kind, detail["msg"].lower())


def _number_wanted(path: list[str]) -> str:
    if path[0] == "owned_tools":
        return "a number above 0 and up to 100 (mm)"
    spec = question(path[0])
    return f"a number from {spec.minimum:g} to {spec.maximum:g} ({spec.unit})"


def _did_you_mean(given: str, known: Sequence[str]) -> str:
    from rapidfuzz import fuzz, process

    best = process.extractOne(given.lower(), known, scorer=fuzz.ratio, score_cutoff=_SIMILAR)
    return f" Did you mean '{best[0]}'?" if best else ""


def _kind(value: object) -> str:
    names = {list: "a list", str: "a text", bool: "true or false", type(None): "nothing"}
    return names.get(type(value), "a number")


def _shown(value: object) -> str:
    return _cut(json.dumps(value, ensure_ascii=False, default=str))


def _cut(text: str) -> str:
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


# Fields that have the same name in both classes and are copied unchanged.
_SAME = (
    "patience", "sensitive_skin", "long_furnishings", "age_months", "weight_kg", "swims", "wears_harness",
    "wears_clothing", "collar_on_full_neck", "baths_per_month", "brushed_before_bath", "days_since_combed",
    "minutes_per_week", "wished_length_mm", "expecting",
)  # fmt: skip


def situation(
    answers: Answers,
    *,
    categories: Iterable[CoatCategory],
    bands: Iterable[LengthBand],
    shares: Mapping[CoatCategory, float] | None = None,
) -> CoatSituation:
    """The situation of a dog with these prediction sets; what was not answered stays unknown.

    ``shares``: how likely each category is, [0, 1]; None if nobody knows.

    A length counts as measured if it was read from a ruler, reckoned from a card, or given by somebody who didn't say
    with what.
    """
    return CoatSituation(
        categories=frozenset(categories),
        bands=frozenset(bands),
        shares=dict(shares or {}),
        measured_mm=answers.measured_mm,
        textures=frozenset() if answers.feel is None else frozenset({answers.feel}),
        undercoats=frozenset() if answers.undercoat_seen is None else frozenset({answers.undercoat_seen}),
        mats=dict(answers.mats or {}),
        hand_stripped=None if answers.last_trim_how is None else answers.last_trim_how == "hand_stripped",
        weeks_since_stripped=answers.last_trim_weeks if answers.last_trim_how == "hand_stripped" else None,
        clipped=_clipped(answers),
        sparse=answers.sparse_hair,
        corded=_corded(answers),
        hairless=_hairless(answers),
        skin_trouble=frozenset(answers.skin_trouble or ()) | frozenset((answers.skin_where or {}).values()),
        skin=dict(answers.skin_where or {}),
        **{name: getattr(answers, name) for name in _SAME},
    )


def _corded(answers: Answers) -> bool:
    """Whether the coat hangs in cords: as was said, or as the breed's does if it is neither clipped nor a pup's."""
    if answers.corded is not None:
        return answers.corded
    if answers.last_trim_how == "clipped" or answers.breed is None or not breeds.may_cord(answers.breed):
        return False
    return answers.age_months is None or answers.age_months >= breeds.cords_from_months()


def _hairless(answers: Answers) -> bool:
    """Whether the breed has next to no hair on its trunk, and no answer speaks of a coat: some are born with one."""
    coated = (
        answers.sparse_hair is False
        or answers.keeps_growing is True
        or answers.undercoat_seen not in (None, Undercoat.NONE)
        or answers.lie not in (None, "lies_flat")
        or answers.curl not in (None, "straight")
    )
    return answers.breed is not None and not coated and breeds.may_be_hairless(answers.breed)


def _clipped(answers: Answers) -> bool | None:
    """Whether the coat was cut to its present length; a tidy-up with scissors leaves that open."""
    return {"clipped": True, "hand_stripped": False, "never": False}.get(answers.last_trim_how or "")
