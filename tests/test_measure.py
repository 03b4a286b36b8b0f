"""A card beside the hair tells its length: scenes seen by a simulated pinhole camera, with known truth."""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.errors import InputError
from coatclass.measure import CARD_MM, measure_by_card, measure_by_ruler

WIDTH, HEIGHT, FOCAL = 3000, 4000, 3200.0  # a 12-megapixel phone camera (simulated), px
CARD = np.array([(0, 0), (CARD_MM[0], 0), CARD_MM, (0, CARD_MM[1])])


def rotation(tilt: float, towards: float, turn: float) -> np.ndarray:
    """The plane turned in itself, then tilted about an axis in any direction; degrees."""
    t, a, r = np.radians([tilt, towards, turn])
    axis = np.array([math.cos(a), math.sin(a), 0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    tilting = np.eye(3) + math.sin(t) * cross + (1 - math.cos(t)) * cross @ cross  # Rodrigues
    turning = np.array([[math.cos(r), -math.sin(r), 0], [math.sin(r), math.cos(r), 0], [0, 0, 1]])
    return tilting @ turning


def seen(points: np.ndarray, pose: np.ndarray, distance: float) -> np.ndarray:
    """Pixels of points of the plane (mm), the scene's middle straight ahead at ``distance`` mm."""
    space = np.column_stack([points - np.array([43, 60]), np.zeros(len(points))]) @ pose.T + (0, 0, distance)
    return space[:, :2] / space[:, 2:] * FOCAL + (WIDTH / 2, HEIGHT / 2)


poses = st.tuples(st.floats(0, 35), st.floats(0, 360), st.floats(0, 360)).map(lambda angles: rotation(*angles))


@settings(max_examples=300, deadline=None)
@given(poses, st.floats(250, 500), st.floats(25, 120), st.floats(-40, 40))
def test_within_three_percent_up_to_35_degrees_tilt(
    pose: np.ndarray, distance: float, length: float, slant: float
) -> None:
    """Marks are exact to the pixel."""
    end = np.array([10, 70]) + length * np.array([math.cos(math.radians(slant)), math.sin(math.radians(slant))])
    corners = np.round(seen(CARD, pose, distance))
    hair = np.round(seen(np.array([(10, 70), end]), pose, distance))
    measured = measure_by_card(corners, hair)
    assert abs(measured.length_mm / length - 1) < 0.03


@settings(max_examples=50, deadline=None)
@given(poses, st.permutations(range(4)))
def test_the_order_in_which_corners_are_marked_does_not_matter(pose: np.ndarray, order: list[int]) -> None:
    corners, hair = seen(CARD, pose, 400), seen(np.array([(0, 70), (60, 80)]), pose, 400)
    measured = measure_by_card(corners[order], hair)
    assert measured.length_mm == pytest.approx(math.hypot(60, 10), rel=1e-6)


def test_the_stated_error_covers_what_unsteady_fingers_do() -> None:
    """95 % intervals hold the truth in about 95 % of 2,000 simulated attempts at several angles."""
    random = np.random.default_rng(7)
    held = []
    for tilt, towards in itertools.product((0, 15, 25, 35), (20, 110)):
        pose = rotation(tilt, towards, 30)
        corners, hair = seen(CARD, pose, 450), seen(np.array([(5, 75), (65, 75)]), pose, 450)
        for _ in range(250):
            noisy = measure_by_card(
                corners + random.normal(0, 5, (4, 2)), hair + random.normal(0, 5, (2, 2)), click_error_px=5
            )
            low, high = noisy.interval_mm
            held.append(low <= 60 <= high)
    assert 0.93 < np.mean(held) < 0.97


def rendered(pose: np.ndarray, distance: float, scale: float = 0.2) -> np.ndarray:
    """A picture of the scene by casting a ray through every pixel: 0 ground, 1-4 spots on the card's corners, 5 and 6
    spots on the ends of a hair of 70 mm."""
    rows, columns = np.mgrid[0 : int(HEIGHT * scale), 0 : int(WIDTH * scale)]
    rays = np.stack([columns / scale - WIDTH / 2, rows / scale - HEIGHT / 2, np.full(rows.shape, FOCAL)], -1)
    normal = pose[:, 2]
    hit = rays * (normal[2] * distance / (rays @ normal))[..., None] - (0, 0, distance)
    plane = (hit @ pose)[..., :2] + (43, 60)
    picture = np.zeros(rows.shape, int)
    for number, spot in enumerate([*CARD, (10, 70), (80, 70)], start=1):
        picture[np.linalg.norm(plane - spot, axis=-1) < 2] = number
    return picture


@pytest.mark.parametrize("tilt", [0, 20, 35])
@pytest.mark.parametrize("towards", [0, 45, 90])
def test_spots_found_in_a_rendered_picture_give_the_length(tilt: float, towards: float) -> None:
    picture = rendered(rotation(tilt, towards, 15), 350)
    marks = [tuple(np.argwhere(picture == number).mean(axis=0)[::-1]) for number in range(1, 7)]
    assert measure_by_card(marks[:4], marks[4:]).length_mm == pytest.approx(70, rel=0.03)


def test_a_bent_lock_is_measured_along_its_points() -> None:
    pose = rotation(25, 60, 10)
    lock = np.array([(0, 60), (30, 60), (30, 100)])
    assert measure_by_card(seen(CARD, pose, 400), seen(lock, pose, 400)).length_mm == pytest.approx(70, rel=1e-6)


def test_marks_on_the_round_of_the_corner_are_taken_for_what_they_are() -> None:
    """ISO/IEC 7810: corners of radius 3.18 mm; the round's middle lies (1 - 1/sqrt 2) of it inside both edges."""
    inset = 3.18 * (1 - math.sqrt(0.5))
    middle = np.array(CARD_MM) / 2
    on_round = CARD + np.sign(middle - CARD) * inset
    pose, hair = rotation(20, 30, 0), np.array([(0, 70), (80, 70)])
    measured = measure_by_card(seen(on_round, pose, 400), seen(hair, pose, 400), rounded_corners=True)
    assert measured.length_mm == pytest.approx(80, rel=1e-6)
    naive = measure_by_card(seen(on_round, pose, 400), seen(hair, pose, 400))
    assert naive.length_mm > 81  # what ignoring the round would cost


GOOD = [(100, 100), (956, 100), (956, 640), (100, 640)]


@pytest.mark.parametrize(
    ("corners", "hair", "code"),
    [
        (GOOD[:3], [(0, 0), (9, 9)], "corners"),
        ([*GOOD, (5, 5)], [(0, 0), (9, 9)], "corners"),
        ([(float("nan"), 1), *GOOD[1:]], [(0, 0), (9, 9)], "corners"),
        ("four", [(0, 0), (9, 9)], "corners"),
        ([(100, 100), (500, 100), (900, 100), (1300, 100)], [(0, 0), (9, 9)], "corners"),
        ([(100, 100), (956, 100), (956, 640), (700, 350)], [(0, 0), (9, 9)], "corners"),
        ([GOOD[0], GOOD[0], GOOD[1], GOOD[2]], [(0, 0), (9, 9)], "card_small"),
        ([(0, 0), (30, 0), (30, 20), (0, 20)], [(0, 0), (9, 9)], "card_small"),
        ([(0, 0), (300, 0), (300, 300), (0, 300)], [(0, 0), (9, 9)], "card_steep"),
        (GOOD, [(0, 0)], "hair"),
        ([(400, 1000), (600, 1000), (900, 1500), (100, 1500)], [(500, 700), (500, 600)], "hair"),
    ],
)
def test_marks_that_can_not_be_are_refused(corners: list, hair: list, code: str) -> None:
    with pytest.raises(InputError) as caught:
        measure_by_card(corners, hair)
    assert caught.value.code == code
    assert caught.value.next_step.endswith(".")


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=4, max_size=4),
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)), min_size=2, max_size=4),
)
def test_any_marks_give_a_length_or_a_refusal(corners: list, hair: list) -> None:
    try:
        measured = measure_by_card(corners, hair)
    except InputError:
        return
    assert measured.length_mm >= 0 and math.isfinite(measured.error_mm)


def test_a_ruler_gives_the_length_that_two_of_its_marks_give():
    found = measure_by_ruler([(100.0, 400.0), (600.0, 400.0)], 50.0, [(200.0, 100.0), (200.0, 220.0)])
    assert found.length_mm == pytest.approx(12.0)  # 10 px are 1 mm


def test_the_ruler_doubt_is_that_of_many_careless_hands():
    rng = np.random.default_rng(7)
    marks = np.array([(100.0, 400.0), (600.0, 430.0), (200.0, 100.0), (260.0, 220.0)])
    stated = measure_by_ruler(marks[:2], 50.0, marks[2:], click_error_px=2.0).error_mm
    drawn = [
        measure_by_ruler(off[:2], 50.0, off[2:]).length_mm
        for off in (marks + rng.normal(0, 2.0, marks.shape) for _ in range(4000))
    ]
    assert np.std(drawn) == pytest.approx(stated, rel=0.06)


@pytest.mark.parametrize(
    ("ruler", "mm", "hair", "code"),
    [
        ([(0, 0), (10, 0)], 50.0, [(0, 0), (0, 50)], "ruler_small"),
        ([(0, 0), (500, 0)], 0.0, [(0, 0), (0, 50)], "ruler"),
        ([(0, 0), (500, 0)], float("nan"), [(0, 0), (0, 50)], "ruler"),
        ([(0, 0)], 50.0, [(0, 0), (0, 50)], "ruler"),
        ([(0, 0), (500, 0)], 50.0, [(0, 0)], "hair"),
    ],
)
def test_a_ruler_that_cannot_be_one_is_refused(ruler, mm, hair, code):
    with pytest.raises(InputError) as refusal:
        measure_by_ruler(ruler, mm, hair)
    assert refusal.value.code == code


@pytest.mark.parametrize("far", [1e7, 1e200, -1e308, float("inf"), float("nan")])
def test_marks_where_no_picture_is_are_refused_without_a_warning(far):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for corners, hair in (([(far, 0), *GOOD[1:]], [(0, 0), (9, 9)]), (GOOD, [(0, 0), (far, far)])):
            with pytest.raises(InputError, match="not marked completely"):
                measure_by_card(corners, hair)
        with pytest.raises(InputError, match="not marked completely"):
            measure_by_ruler([(0, 0), (far, 0)], 100.0, [(0, 0), (0, 50)])
