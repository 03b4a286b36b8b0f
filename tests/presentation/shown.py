"""Dogs of every kind, and every sentence that a presentation holds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from coatclass.answers import OwnedTool
from coatclass.contract import CoatSituation
from coatclass.planning import Plan, plan
from coatclass.presentation import Presentation, present
from coatclass.presentation import blocks as b
from coatclass.taxonomy import BANDS, BodyZone, CoatCategory, LengthBand, MatState, Patience, Texture, Undercoat

C, Z = CoatCategory, BodyZone
TODAY = date(2026, 3, 2)
OWNED = (OwnedTool(kind="slicker", pin_tip="ball"), OwnedTool(kind="wide comb"))


def dog(category=C.CURLY, mm: float | None = 30.0, **known) -> CoatSituation:
    categories = frozenset({category}) if isinstance(category, str) else frozenset(category)
    bands = frozenset(BANDS) if mm is None else frozenset({LengthBand.FROM_25_TO_75MM})
    return CoatSituation(categories, bands, mm, **({"weight_kg": 12.0, "minutes_per_week": 90.0} | known))


DOGS = {
    "curly": dog(),
    "silky": dog(C.DROP, 150.0, textures=frozenset({Texture.SILKY})),
    "wire with knots": dog(C.WIRE, 34.0, mats={Z.BEARD: MatState.TANGLES, Z.LEGS: MatState.MATS}),
    "smooth": dog(C.FUR, 8.0),
    "double coat, a tight place": dog(C.ARCTIC, 90.0, undercoats=frozenset({Undercoat.DENSE}),
                                      mats={Z.BREECHES: MatState.TIGHT_MATS}),
    "doubtful": dog({C.MIXED, C.CURLY, C.DROP}, None, weight_kg=None, minutes_per_week=None),
    "puppy": dog(C.MIXED, 20.0, age_months=4.0),
    "felted and sore": dog(C.HAIR, 60.0, mats={Z.TRUNK: MatState.FELTED}, skin={Z.BELLY: "sores"},
                           skin_trouble=frozenset({"sores"})),
    "biter": dog(C.CURLY, 40.0, patience=Patience.CANNOT_BEAR),
    "red skin": dog(C.HAIR, 25.0, skin={Z.GROIN: "redness"}, skin_trouble=frozenset({"redness"})),
    "sore ears": dog(C.DROP, 80.0, skin_trouble=frozenset({"ear_trouble"})),
}  # fmt: skip


def shown(name: str, language: str = "en") -> Presentation:
    return of(plan(DOGS[name], today=TODAY, language=language))


def of(made: Plan) -> Presentation:
    return present(
        made, dog_name="Fennel", breed="Poodle", parents=("Poodle", "Spitz"), owned=OWNED, remarks="Go slowly."
    )


def sentences(section: b.Section) -> Iterator[str]:
    """Everything that a section says in words, but for what a picture says."""
    yield section.title
    for block in section.blocks:
        yield from _of_block(block)


def _of_block(block: b.Block) -> Iterator[str]:  # noqa: PLR0912 - one case a kind of block
    match block:
        case b.Text():
            yield block.text
        case b.Frames():
            yield from (said for _, said in block.rows)
        case b.Items():
            yield from block.items
        case b.Facts():
            yield from (word for pair in block.pairs for word in pair)
        case b.Note():
            yield from (block.word, block.text, block.where)
        case b.Steps():
            for row in block.rows:
                yield from (row.title, row.where, row.do, row.done, row.tag, *row.errors)
                for one in row.notes:
                    yield from _of_block(one)
        case b.Tools():
            for tool in block.rows:
                yield from (tool.name, tool.role_word, tool.features, tool.where, tool.why)
        case b.WeekStrip():
            yield from (word for day, due, _ in block.days for word in (day, due))
        case b.Bars():
            yield from (block.caption, *(word for name, _, said, _ in block.rows for word in (name, said)))
        case b.Table():
            yield from (*block.head, *(cell for row in block.rows for cell in row))
