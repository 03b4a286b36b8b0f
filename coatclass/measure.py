"""Lengths in a photo, in mm, by a bank card (ISO/IEC 7810, size ID-1) or a ruler that lies beside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coatclass.errors import InputError

__all__ = ["CARD_MM", "CardMeasurement", "measure_by_card", "measure_by_ruler"]

CARD_MM = (85.60, 53.98)
"""Width and height of a bank card: ISO/IEC 7810:2019, ID-1."""

_CORNER_RADIUS_MM = 3.18  # the same standard: radius of the rounded corners
_LEAST_SIDE_PX = 40.0  # a shorter side turns one pixel of a finger's error into more than 2 %
_LEAST_ASPECT = 1.1  # long side over short as seen; below, the two can't be told apart
_FURTHEST_PX = 1e6  # no picture reaches as far; squares of such marks still fit a float
_INTERVAL = 1.96  # standard normal quantile of a 95 % interval

Point = tuple[float, float]
_Points = NDArray[np.float64]


@dataclass(frozen=True)
class CardMeasurement:
    """A length with its uncertainty.

    Attributes:
        length_mm: length along the marked points, mm.
        error_mm: standard error from clicking alone, mm. Hair that lies 1 cm above the card's plane, seen from 40 cm,
            adds another 2.5 %.
        corners: the card's corners as used: clockwise, beginning with a long side; the two marks of a ruler; px.
    """

    length_mm: float
    error_mm: float
    corners: tuple[Point, ...]

    @property
    def interval_mm(self) -> tuple[float, float]:
        """Lower and upper end of the 95 % interval, mm."""
        half = _INTERVAL * self.error_mm
        return max(0.0, self.length_mm - half), self.length_mm + half


def measure_by_card(
    corners: Sequence[Point],
    hair: Sequence[Point],
    *,
    click_error_px: float = 3.0,
    rounded_corners: bool = False,
) -> CardMeasurement:
    """Measure hair that lies in one plane with a card.

    Args:
        corners: the card's four corners in any order, px.
        hair: the hair's two ends, or more points along a bent lock, in order, px.
        click_error_px: standard error of each marked coordinate, px of the same picture.
        rounded_corners: False: the corners were marked where the straight edges would meet; True: on the round of the
            corner itself, which lies 1.3 mm inside.

    Raises:
        InputError: with code ``corners``, ``card_small``, ``card_steep`` or ``hair`` if the marks can't be a card's or
            a hair's.

    The homography from picture to card follows from four points (Hartley and Zisserman, Multiple View Geometry, 2nd
    ed., 4.1); the error is propagated to first order from independent errors of all marks (ibid., 5.2.6).
    """
    card = _ordered(_finite(corners, 4, 4, "corners", "the card"))
    lock = _finite(hair, 2, 50, "hair", "the hair")
    marks = np.vstack([card, lock])  # (4 + n, 2)
    length = _length(marks, rounded_corners)
    return CardMeasurement(
        length_mm=length,
        error_mm=click_error_px * float(np.linalg.norm(_gradient(marks, rounded_corners))),
        corners=tuple((float(x), float(y)) for x, y in card),
    )


_LONGEST_RULER_MM = 1000.0


def measure_by_ruler(
    ruler: Sequence[Point], ruler_mm: float, hair: Sequence[Point], *, click_error_px: float = 3.0
) -> CardMeasurement:
    """Measure something that lies beside a ruler, in a photo from straight above.

    Args:
        ruler: two marks of the ruler, px.
        ruler_mm: how far they are apart, mm; above 0 and at most 1000.
        hair: the two ends of what is measured, px.
        click_error_px: standard error of each marked coordinate, px of the same picture.

    Raises:
        InputError: with code ``ruler``, ``ruler_small`` or ``hair``.

    Unlike a card's four corners, two marks show no slant: a ruler that leans is not noticed. The error is propagated to
    first order from independent errors of the four marks.
    """
    scale, ends = _finite(ruler, 2, 2, "ruler", "the ruler"), _finite(hair, 2, 2, "hair", "the hair")
    if not (math.isfinite(ruler_mm) and 0 < ruler_mm <= _LONGEST_RULER_MM):
        raise InputError("the ruler", "has no length.", "Say how far its two marks are apart, in mm.", code="ruler")
    long, measured = (float(np.linalg.norm(pair[1] - pair[0])) for pair in (scale, ends))
    if long < _LEAST_SIDE_PX:
        raise InputError(
            "the ruler", "is too small in the picture, or its two marks lie on one place.", "Go closer.",
            code="ruler_small",
        )  # fmt: skip
    length = ruler_mm * measured / long
    error = ruler_mm / long * click_error_px * math.sqrt(2) * math.hypot(1.0, measured / long)
    return CardMeasurement(length, error, tuple((float(x), float(y)) for x, y in scale))


def _finite(points: Sequence[Point], least: int, most: int, code: str, what: str) -> _Points:
    try:
        array = np.asarray(points, dtype=np.float64)
    except (TypeError, ValueError):
        array = np.empty(0)
    fits = array.ndim == 2 and array.shape[1] == 2 and least <= len(array) <= most
    if not fits or not (np.abs(array) <= _FURTHEST_PX).all():  # nor is nan
        count = "four corners" if code == "corners" else "two marks of it" if code == "ruler" else "its two ends"
        raise InputError(what, "is not marked completely.", f"Mark {count} in the picture.", code=code)
    return array


def _ordered(corners: _Points) -> _Points:
    """Corners clockwise as seen, the first two along a long side.

    Raises:
        InputError: if they are not the corners of a card seen from a usable angle.
    """
    centred = corners - corners.mean(axis=0)
    ring = corners[np.argsort(np.arctan2(centred[:, 1], centred[:, 0]))]
    sides = np.roll(ring, -1, axis=0) - ring
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    lengths = np.linalg.norm(sides, axis=1)
    if min(lengths) < _LEAST_SIDE_PX:
        raise InputError(
            "the card", "is too small in the picture, or two marks lie on one corner.", "Go closer.", code="card_small"
        )
    if not (turns > 0.02 * lengths * np.roll(lengths, -1)).all():
        raise InputError("the card", "can't have its corners there.", "Mark each corner once.", code="corners")
    first, second = lengths[0] + lengths[2], lengths[1] + lengths[3]
    if max(first, second) < _LEAST_ASPECT * min(first, second):
        raise InputError(
            "the card",
            "is seen too much from the side, so its long and short sides can't be told apart.",
            "Take the photo from straight above.",
            code="card_steep",
        )
    return ring if first > second else np.roll(ring, -1, axis=0)


def _card_corners(rounded: bool) -> _Points:
    """Where the marked corners lie on the card, mm; clockwise from top left, y downwards."""
    inset = _CORNER_RADIUS_MM * (1 - math.sqrt(0.5)) if rounded else 0.0
    width, height = CARD_MM
    return np.array([(inset, inset), (width - inset, inset), (width - inset, height - inset), (inset, height - inset)])


def _homography(picture: _Points, plane: _Points) -> NDArray[np.float64]:
    """3 x 3 matrix that takes four points of the picture to the plane; last entry 1."""
    rows, right = [], []
    for (x, y), (u, v) in zip(picture, plane, strict=True):
        rows += [(x, y, 1, 0, 0, 0, -u * x, -u * y), (0, 0, 0, x, y, 1, -v * x, -v * y)]
        right += [u, v]
    solution = np.linalg.solve(np.array(rows, dtype=np.float64), np.array(right))
    return np.append(solution, 1.0).reshape(3, 3)


def _length(marks: _Points, rounded: bool) -> float:
    """Length in mm along ``marks[4:]``, seen by the card ``marks[:4]``."""
    middle, scale = marks[:4].mean(axis=0), float(np.ptp(marks[:4]))  # keeps the equations well conditioned
    near = (marks - middle) / scale
    matrix = _homography(near[:4], _card_corners(rounded))
    mapped = np.column_stack([near, np.ones(len(near))]) @ matrix.T  # (4 + n, 3)
    depth = mapped[:, 2] / mapped[:4, 2].mean()
    if depth.min() < 0.2:
        raise InputError(
            "the hair", "lies too far behind the card.", "Lay the card right beside the hair.", code="hair"
        )
    on_plane = mapped[4:, :2] / mapped[4:, 2:]
    return float(np.linalg.norm(np.diff(on_plane, axis=0), axis=1).sum())


def _gradient(marks: _Points, rounded: bool, step: float = 0.01) -> _Points:
    """Derivatives of the length by every marked coordinate, mm per px; central differences."""
    gradient = np.empty_like(marks)
    for index in np.ndindex(marks.shape):
        up, down = marks.copy(), marks.copy()
        up[index] += step
        down[index] -= step
        gradient[index] = (_length(up, rounded) - _length(down, rounded)) / (2 * step)
    return gradient
