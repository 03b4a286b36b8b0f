"""The pages at the end of a visit: what was noted, the technique check, the salon's guards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from app import cases
from app.groomer import dog_file as files
from app.language import words
from coatclass.care.coat import data
from coatclass.contract import Assessment, Fault, Guard
from coatclass.taxonomy import ZONES
from coatclass.toolkit import catalogue

_ROWS = 12  # lines for guards


def check_values(file: files.DogFile, assessment: Assessment) -> Mapping[str, Any]:
    """What ``check.html`` needs besides the file."""
    say, v = words(), words("visit")
    may = files.zones_to_check(file, assessment)
    having = [one.zone for one in assessment.triage.zones] if assessment.triage else ZONES
    alone = assessment.triage.left_alone if assessment.triage else ()
    planned = [one for one in file.appointments if one.starts_at.astimezone().date() == cases.today()]
    return {
        "zones": [(zone, say.title(say.zone(zone))) for zone in may],
        "alone": say.zones(alone, having=having) if alone and may else "",
        "minutes": data("technique")["check"]["minutes"],
        "faults": [(fault, say.title(v.say(f"fault.{fault}"))) for fault in Fault],
        "tools": sorted(((tool, say.tool(tool)) for tool in catalogue()), key=lambda pair: pair[1]),
        "visit": planned[-1] if planned else None,
    }


def end_values(file: files.DogFile) -> Mapping[str, Any]:
    """What ``end.html`` needs besides the file: what was noted today, and the visit to note minutes for."""
    today = cases.today()
    here = [one for one in file.appointments if one.starts_at.astimezone().date() == today and one.state != "cancelled"]
    return {
        "found": any(one.found_at.astimezone().date() == today for one in file.findings),
        "checked": any(one.checked_at.astimezone().date() == today for one in file.checks),
        "visit": here[-1] if here else None,
    }


def checks_of(file: files.DogFile) -> list[dict[str, Any]]:
    """The dog's technique checks in one line each, the newest first."""
    say, v = words(), words("visit")
    rows = []
    for one in reversed(file.checks):
        stopped = say.joined(say.zone(zone) for zone in one.stopped)
        faults = [v.say(f"fault.{fault}") for fault in one.faults]
        text = v.say("page.stops_at", zones=stopped) if stopped else v.say("page.all_through")
        rows.append({"record": one, "text": " · ".join([say.title(text), *faults])})
    return rows


def guard_rows(kept: Sequence[Guard]) -> list[Guard | None]:
    """The guards that are kept, with empty lines after them."""
    return [*kept, *[None] * max(3, _ROWS - len(kept))]
