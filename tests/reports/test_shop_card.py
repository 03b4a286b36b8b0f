"""The shop card: a millimetre on it is a millimetre on paper, and it offers what the plan offers."""

from __future__ import annotations

import subprocess
from datetime import date

import care_dogs as dogs
import numpy as np
import pytest
from PIL import Image

from coatclass import reports
from coatclass.errors import InputError
from coatclass.planning import plan
from coatclass.presentation import present
from coatclass.taxonomy import BodyZone, CoatCategory, MatState, Texture
from coatclass.words import LANGUAGES

TODAY = date(2026, 3, 2)
COTTONY = frozenset({Texture.COTTONY})
DOG = dogs.situation(categories=frozenset({CoatCategory.CURLY}), measured_mm=40.0, textures=COTTONY)
FELTED = dogs.situation(categories=frozenset({CoatCategory.CURLY}), measured_mm=40.0,
                        mats={BodyZone.TRUNK: MatState.FELTED})  # fmt: skip
DPI = 300


def shown(situation=DOG, language="en", **more):
    return present(plan(situation, today=TODAY, language=language), dog_name="Fennel", **more)


def longest_run(line: np.ndarray) -> int:
    """Pixels of the longest unbroken dark stretch that is shorter than 100 mm: longer ones part the rows."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], line.astype(int), [0]))))
    return int(max((run for run in edges[1::2] - edges[::2] if run < 100 / 25.4 * DPI), default=0))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_frame_is_as_large_as_a_bank_card_on_the_rendered_page(tmp_path, paper):
    # ISO/IEC 7810:2019, ID-1: 85.60 x 53.98 mm; rendered by Poppler, which knows nothing of how the file was made.
    (tmp_path / "card.pdf").write_bytes(reports.shop_card_pdf(shown(), paper))
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", "-singlefile", "card.pdf", "card"], cwd=tmp_path, check=True)
    page = np.asarray(Image.open(tmp_path / "card.pgm")) < 128
    mm = 25.4 / DPI
    pen = 0.2  # mm, drawn half outside the frame
    assert max(map(longest_run, page)) * mm - pen == pytest.approx(85.60, abs=0.2)
    assert max(map(longest_run, page.T)) * mm - pen == pytest.approx(53.98, abs=0.2)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_card_names_three_tools_what_to_see_and_what_to_leave(language):
    card = shown(language=language).shop
    assert card is not None and len(card.rows) == 3
    for row in card.rows:
        assert row.gauges and row.instead and row.drawing.startswith("<svg")
        assert all(gauge.says for gauge in row.gauges)
    assert card.nots and all(one.why for one in card.nots)
    assert not {one.name for one in card.nots} & {row.name for row in card.rows}


def test_a_length_gauge_is_as_long_as_the_longest_pin_in_true_size():
    row = next(row for row in shown().shop.rows if row.tool == "firm_slicker")
    assert row.gauges[0].drawing.view[2] == pytest.approx(13 + 2)  # 8 to 13 mm in the catalogue, a mm at each end


def test_a_felted_dog_has_nothing_to_buy_and_a_dog_without_a_plan_has_no_card():
    card = shown(FELTED).shop
    assert card is not None and card.rows == () and card.nots == () and "nothing to buy now" in card.lead
    with pytest.raises(InputError) as refusal:
        reports.shop_card_pdf(present(None))
    assert refusal.value.code == "no_plan"


def test_what_is_at_home_is_not_on_the_card():
    from coatclass.answers import OwnedTool

    tools = [row.tool for row in shown(owned=(OwnedTool(kind="wide_comb"),)).shop.rows]
    assert "wide_comb" not in tools and "wide_comb" in [row.tool for row in shown().shop.rows]
