"""A time zone as a VTIMEZONE (RFC 5545, 3.6.5) with yearly rules, which more programs read than lists of dates."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    import icalendar

__all__ = ["vtimezone"]

_YEARS = 10  # a rule must hold for so many years to be called one
_WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


def vtimezone(zone: ZoneInfo, year: int) -> icalendar.Timezone:
    """The zone's rules from the year before ``year`` on.

    A zone that changes its clocks by no yearly rule gets each single change of ten years.
    """
    from icalendar import Timezone

    changes = list(_changes(zone, year - 1, year - 1 + _YEARS))
    rules = _rules(changes)
    component = Timezone()
    component.add("tzid", zone.key)
    if not rules:
        still = datetime(year - 1, 1, 1, tzinfo=zone)
        component.add_component(_observance(still, still.utcoffset() or timedelta(0), None))
    for first, rule in rules:
        before = (first - timedelta(hours=1)).astimezone(zone).utcoffset() or timedelta(0)
        component.add_component(_observance(first.astimezone(zone), before, rule))
    return component


def _changes(zone: ZoneInfo, first_year: int, last_year: int) -> Iterator[datetime]:
    """The moments (UTC) at which the zone's offset changes, to the minute."""
    moment, end = datetime(first_year, 1, 1, tzinfo=UTC), datetime(last_year, 1, 1, tzinfo=UTC)
    while moment < end:
        later = moment + timedelta(days=1)
        if moment.astimezone(zone).utcoffset() != later.astimezone(zone).utcoffset():
            low, high = moment, later
            while high - low > timedelta(minutes=1):
                middle = low + (high - low) / 2
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            yield high.replace(second=0, microsecond=0)
        moment = later


def _rules(changes: list[datetime]) -> list[tuple[datetime, dict[str, object] | None]]:
    """First change and yearly rule of each kind of change, or every change without a rule."""
    single: list[tuple[datetime, dict[str, object] | None]] = [(change, None) for change in changes]
    if len(changes) != 2 * _YEARS:
        return single
    rules: list[tuple[datetime, dict[str, object] | None]] = []
    for kind in (changes[0::2], changes[1::2]):
        places = [{(day.month, day.weekday(), (day.day - 1) // 7 + 1)} | _last(day) for day in kind]
        common = set.intersection(*places)
        if not common:
            return single
        month, weekday, nth = min(common, key=lambda place: place[2])
        rules.append((kind[0], {"freq": "yearly", "bymonth": month, "byday": f"{nth}{_WEEKDAYS[weekday]}"}))
    return rules


def _last(day: datetime) -> set[tuple[int, int, int]]:
    """The place of a day as the last of its weekday in the month, if it is."""
    return {(day.month, day.weekday(), -1)} if (day + timedelta(days=7)).month != day.month else set()


def _observance(
    start: datetime, before: timedelta, rule: dict[str, object] | None
) -> icalendar.TimezoneStandard | icalendar.TimezoneDaylight:
    """Standard or daylight time from a moment on; its start is told by the clock that was valid before."""
    from icalendar import TimezoneDaylight, TimezoneStandard

    offset = start.utcoffset() or timedelta(0)
    part = TimezoneDaylight() if start.dst() else TimezoneStandard()
    part.add("dtstart", (start.astimezone(UTC) + before).replace(tzinfo=None))
    part.add("tzoffsetfrom", before)
    part.add("tzoffsetto", offset)
    part.add("tzname", start.tzname() or "")
    if rule is not None:
        part.add("rrule", rule)
    return part
