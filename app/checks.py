"""Refuse impossible entries in plain words, before anything is kept."""

from __future__ import annotations

import re
from datetime import date

from app import cases
from coatclass import care
from coatclass.errors import RecordError

_MAIL = re.compile(r"^[^@\s]+@[^@\s.]+(\.[^@\s.]+)+$")  # what RFC 5321 calls a mailbox, without its rarities
_DIGITS = 5


def mail(address: str) -> None:
    """Refuse what can't be a mail address; empty is fine.

    Raises:
        RecordError: ``bad_value``.
    """
    if address.strip() and not _MAIL.match(address.strip()):
        raise RecordError(
            "the mail address", "must look like name@example.org.", "Correct it, or leave it empty.", code="bad_value"
        )


def born(day: date | None) -> None:
    """Refuse a birth that has not been yet.

    Raises:
        RecordError: ``bad_value``.
    """
    if day is not None and day > cases.today():
        raise RecordError("the day of birth", "lies in the future.", "Correct it, or leave it empty.", code="bad_value")


def measured(length_mm: float, day: date | None = None) -> None:
    """Refuse a length that no dog's hair has, or that is still to be measured; no page could reckon with it.

    Raises:
        RecordError: ``bad_value``.
    """
    if not 0 < length_mm <= care.longest_mm():
        raise RecordError(
            "the measurement", f"{length_mm:g} mm can't be a length.", "Measure in millimetres.", code="bad_value"
        )
    if day is not None and day > cases.today():
        raise RecordError("the measurement", "lies in the future.", "Correct the date.", code="bad_value")


def reachable(said: str) -> bool:
    """Whether somebody can be reached by what was said: a mail address, or a phone number."""
    return bool(_MAIL.match(said.strip())) or sum(sign.isdigit() for sign in said) >= _DIGITS
