"""Hand-made kits and a strategy over situations for the tests of the care room."""

from __future__ import annotations

from hypothesis import strategies as st

from coatclass.contract import CoatSituation, KitItem, Role, Specification
from coatclass.taxonomy import BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat


def item(tool: str, role: str = "essential", order: int | None = 1, zones: tuple[BodyZone, ...] = ()) -> KitItem:
    return KitItem(
        tool=tool,
        name=tool.replace("_", " ").capitalize(),
        role=Role(role),
        zones=zones,
        order=order,
        why="because",
        rule=("test",),
        specification=Specification(),
    )


CURLY_KIT = (item("long_pin_slicker"), item("firm_slicker", order=2), item("wide_comb", order=3))
FUR_KIT = (item("boar_bristle_brush"), item("carding_knife", "helpful", 2), item("stripping_stone", "helpful", 3))
WIRE_KIT = (
    item("soft_slicker"),
    item("medium_comb", order=2),
    item("fine_comb", order=3),
    item("carding_knife", order=4),
)
ARCTIC_KIT = (item("firm_pin_brush"), item("long_pin_slicker", order=2), item("wide_comb", order=3))


def situation(**known: object) -> CoatSituation:
    values: dict[str, object] = {
        "categories": frozenset({CoatCategory.CURLY}),
        "bands": frozenset({LengthBand.FROM_25_TO_75MM}),
    }
    return CoatSituation(**(values | known))  # type: ignore[arg-type]


def sets(words: type) -> st.SearchStrategy[frozenset]:  # type: ignore[type-arg]
    return st.frozensets(st.sampled_from(list(words)))


TOOLS = [
    "soft_slicker",
    "long_pin_slicker",
    "firm_slicker",
    "extra_stiff_slicker",
    "coated_tip_slicker",
    "firm_pin_brush",
    "medium_pin_brush",
    "soft_bristle_brush",
    "boar_bristle_brush",
    "rubber_curry",
    "medium_comb",
    "fine_comb",
    "medium_fine_comb",
    "wide_comb",
    "face_comb",
    "rat_tail_comb",
    "carding_knife",
    "stripping_stone",
    "undercoat_rake",
    "bladed_coat_rake",
    "something_new",
]

kits = st.lists(
    st.builds(
        item,
        st.sampled_from(TOOLS),
        st.sampled_from([str(role) for role in Role]),
        st.none() | st.integers(1, 9),
        st.lists(st.sampled_from(list(BodyZone)), unique=True, max_size=4).map(tuple),
    ),
    max_size=6,
    unique_by=lambda entry: entry.tool,
).map(tuple)

PLACED = ["sores", "redness", "smell", "pain", "parasites", "lump"]
some_bool = st.none() | st.booleans()

situations = st.builds(
    CoatSituation,
    categories=st.frozensets(st.sampled_from(list(CoatCategory)), min_size=1),
    bands=st.frozensets(st.sampled_from(list(LengthBand)), min_size=1),
    measured_mm=st.none() | st.floats(0, 250),
    textures=sets(Texture),
    undercoats=sets(Undercoat),
    mats=st.dictionaries(st.sampled_from(list(BodyZone)), st.sampled_from(list(MatState)), max_size=6),
    patience=st.none() | st.sampled_from(list(Patience)),
    hand_stripped=some_bool,
    clipped=some_bool,
    sparse=some_bool,
    hairless=st.sampled_from([False, False, False, True]),
    long_furnishings=some_bool,
    sensitive_skin=some_bool,
    skin_trouble=st.frozensets(st.sampled_from([*PLACED, "ear_trouble"])),
    skin=st.dictionaries(st.sampled_from(list(BodyZone)), st.sampled_from(PLACED), max_size=2),
    age_months=st.none() | st.floats(2, 200),
    weight_kg=st.none() | st.floats(0.5, 90),
    swims=some_bool,
    wears_harness=some_bool,
    wears_clothing=some_bool,
    collar_on_full_neck=some_bool,
    baths_per_month=st.none() | st.floats(0, 8),
    brushed_before_bath=st.none() | st.sampled_from(["always", "sometimes", "never"]),
    days_since_combed=st.none() | st.floats(0, 120),
    minutes_per_week=st.none() | st.floats(0, 600),
    wished_length_mm=st.none() | st.floats(3, 250),
)
