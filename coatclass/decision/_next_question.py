"""Which unanswered question is expected to change the kit the most."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from coatclass.contract import CoatEstimate, Question
from coatclass.decision._decide import LENGTH_FAMILY, RegimeThresholds, Thresholds, band_set, category_set, limits, load
from coatclass.taxonomy import CoatCategory, LengthBand

KitOf = Callable[[frozenset[CoatCategory], frozenset[LengthBand]], frozenset[tuple[str, str]]]
Table = Sequence[Sequence[float]]


@dataclass(frozen=True)
class Askable:
    """A question not answered yet.

    Attributes:
        likelihood: for each possible answer P(answer | category, band), 7 rows of 4; the answers sum to 1.
        weight: exponent with which an answer will count, under 1 where it repeats what the photo shows.
        measures: the answer is a length.
    """

    id: str
    text: str
    help: str
    likelihood: Mapping[str, Table]
    weight: float = 1.0
    measures: bool = False


def next_question(
    estimate: CoatEstimate,
    unanswered: Sequence[Askable],
    kit_of: KitOf,
    *,
    keeps: frozenset[CoatCategory] = frozenset(),
    thresholds: Thresholds | None = None,
) -> Question | None:
    """The question worth asking next, or None if no answer is expected to change enough of the kit.

    For each question: the kits that its possible answers would lead to, each compared with the present kit (share of
    (tool, role) pairs that differ, Jaccard distance), weighted by how probable the answer is. Where only length is
    open between hair and drop, the length is asked for first.

    Args:
        estimate: what is known now; its joint table if it has one, else its margins taken as independent.
        unanswered: what could be asked, in the questionnaire's order, which decides between equals.
        kit_of: (tool, role) pairs right for sets of categories and bands.
        keeps: coats that stay possible whatever is answered, such as *mixed* of a named cross.
        thresholds: another fit than the released one.
    """
    if estimate.regime == "hands_on":
        return None
    thresholds = thresholds or load()
    later = thresholds.regimes["both" if estimate.regime in ("photo", "both") else "answers"]
    now = thresholds.regimes.get(estimate.regime, later)
    joint = _joint(estimate)
    kits = _Kits(lambda categories, bands: kit_of(categories | keeps, bands))
    present = kits.of(joint, now)
    changes = [(_expected_change(joint, askable, kits, present, later), askable) for askable in unanswered]
    worth_asking = [one for one in changes if one[0] >= limits()["least_change"]]
    if _only_length_is_open(joint, now):
        worth_asking = [one for one in changes if one[1].measures] or worth_asking
    if not worth_asking:
        return None
    change, askable = max(worth_asking, key=lambda one: one[0])
    return Question(id=askable.id, text=askable.text, help=askable.help, expected_change=change)


class _Kits:
    """Kits by prediction set, each asked for once."""

    def __init__(self, kit_of: KitOf) -> None:
        self._kit_of = kit_of
        self._known: dict[tuple[frozenset[CoatCategory], frozenset[LengthBand]], frozenset[tuple[str, str]]] = {}

    def of(self, joint: Table, at: RegimeThresholds) -> frozenset[tuple[str, str]]:
        categories, bands = _sets(joint, at)
        key = frozenset(categories), frozenset(bands)
        if key not in self._known:
            self._known[key] = frozenset(self._kit_of(*key))
        return self._known[key]


def _sets(joint: Table, at: RegimeThresholds) -> tuple[tuple[CoatCategory, ...], tuple[LengthBand, ...]]:
    bands = band_set([sum(column) for column in zip(*joint, strict=True)], at)
    return category_set([sum(row) for row in joint], at, bands), bands


def _only_length_is_open(joint: Table, at: RegimeThresholds) -> bool:
    return set(_sets(joint, at)[0]) == LENGTH_FAMILY


def _joint(estimate: CoatEstimate) -> Table:
    if estimate.joint is not None:
        return estimate.joint
    return [[p * q for q in estimate.band] for p in estimate.category]


def _expected_change(
    joint: Table, askable: Askable, kits: _Kits, present: frozenset[tuple[str, str]], at: RegimeThresholds
) -> float:
    change = 0.0
    for likelihood in askable.likelihood.values():
        probability = sum(map(sum, _times(joint, likelihood, 1.0)))
        together = _times(joint, likelihood, askable.weight)
        total = sum(map(sum, together))
        if probability <= 0 or total <= 0:
            continue
        kit = kits.of([[p / total for p in row] for row in together], at)
        change += probability * _distance(present, kit)
    return change


def _times(joint: Table, likelihood: Table, weight: float) -> list[list[float]]:
    return [[p * q**weight for p, q in zip(*rows, strict=True)] for rows in zip(joint, likelihood, strict=True)]


def _distance(first: frozenset[tuple[str, str]], second: frozenset[tuple[str, str]]) -> float:
    union = first | second
    return len(first ^ second) / len(union) if union else 0.0
