"""Any questionnaire that can be filled in, for tests that must hold for all of them."""

from __future__ import annotations

from functools import cache

from hypothesis import assume
from hypothesis import strategies as st

from coatclass.answers import Answers, problems, questions
from coatclass.taxonomy import BodyZone

NAMES = st.text(min_size=1, max_size=20).filter(lambda text: text.strip() == text and text.isprintable())


def _tools():
    sizes = st.floats(min_value=0.5, max_value=40, allow_nan=False)
    return st.fixed_dictionaries(
        {"kind": st.sampled_from(["comb", "slicker", "pin_brush", "rake"])},
        optional={
            "pin_length_mm": sizes,
            "tooth_gap_mm": sizes,
            "pin_tip": st.sampled_from(["plain", "ball", "coated", "plastic"]),
            "stiffness": st.sampled_from(["soft", "medium", "firm", "extra_stiff"]),
            "blade": st.booleans(),
        },
    )


def _value(spec):
    values = [choice.value for choice in spec.choices]
    return {
        "text": NAMES,
        "names": st.lists(NAMES, max_size=2),
        "shares": st.dictionaries(NAMES, st.floats(min_value=0, max_value=25), max_size=4),
        "choice": st.sampled_from(values or [None]),
        "yes_no": st.booleans(),
        "choices": st.lists(st.sampled_from(values or [None]), unique=True),
        "number": st.floats(min_value=spec.minimum, max_value=spec.maximum) if spec.kind == "number" else st.none(),
        "zones": st.dictionaries(st.sampled_from([*BodyZone]), st.sampled_from(values or [None]), max_size=5),
        "tools": st.lists(_tools(), max_size=3),
        "genotype": st.dictionaries(NAMES, NAMES, max_size=3),
    }[spec.kind]


@cache
def _data(only):
    """Made once for all draws: building strategies costs more than drawing from them."""
    specs = [spec for spec in questions() if only is None or spec.id in only]
    return st.fixed_dictionaries({}, optional={spec.id: _value(spec) for spec in specs})


@st.composite
def answered(draw, only=None):
    """Answers to any subset of the questions, of those in ``only`` if given, that don't contradict each other."""
    data = draw(_data(only and frozenset(only)))
    assume(not problems(data))
    return Answers(**data)
