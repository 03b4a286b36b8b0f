"""Fills empty records with the invented salon of ``scenario.toml``; nothing in it is a real person or dog."""

from __future__ import annotations

import json
import secrets
import sys
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from app import cases
from app.groomer.table import RATES
from coatclass.answers import parse
from coatclass.records import (
    AnswerSheet,
    Appointment,
    CheckRecord,
    Client,
    Dog,
    Finding,
    Measurement,
    Records,
    StoredAssessment,
    User,
    UserRole,
    Writer,
    add_user,
    find_user,
    hash_password,
    keep_setting,
    valid,
)
from coatclass.resources import read_toml

FOLDER = Path(__file__).parent
WHO = "demo"
GROOMER = "Demo groomer"


def open_demo(salon: Records) -> None:
    """Fill empty records, and give the demo groomer a new password, which is printed here and kept nowhere."""
    if not salon.find(Dog) and not salon.find(User):
        fill(salon, cases.today())
    elif find_user(salon, GROOMER) is None:
        return  # somebody's own records: nothing of the demo belongs there
    password = secrets.token_urlsafe(9)
    _set_password(salon, password)
    print(f"Demo sign-in under /sign-in: name {GROOMER!r}, password {password!r}.", file=sys.stderr, flush=True)


def _set_password(salon: Records, password: str) -> None:
    user = find_user(salon, GROOMER)
    if user is None:
        add_user(salon, GROOMER, password, UserRole.GROOMER)
    else:
        salon.change(user, who=WHO, password_hash=hash_password(password))


def fill(salon: Records, today: date) -> None:
    """Put the whole scenario into the records, its days counted from ``today``."""
    scenario = read_toml(FOLDER / "scenario.toml")
    keep_setting(salon, RATES, scenario["rates"], who=WHO)
    for row in scenario["client"]:
        fields = {name: value for name, value in row.items() if name != "dog"}
        client = salon.add(valid(Client, **fields), who=WHO)
        for dog in row.get("dog", ()):
            _add_dog(salon, dog, client.id, today)
    for dog in scenario["loose"]:
        _add_dog(salon, dog, None, today)


def _add_dog(salon: Records, row: Mapping[str, Any], client_id: str | None, today: date) -> None:
    kept = {name: row[name] for name in ("name", "breed", "sex", "weight_kg", "remarks") if name in row}
    born = today - timedelta(days=row["age_days"]) if "age_days" in row else None
    counted = _moment(today, row["counted"], "08:00") if "counted" in row else None
    dog = valid(Dog, client_id=client_id, born_on=born, counted_since=counted, **kept)
    content = json.loads((FOLDER / f"{row['answers']}.json").read_text("utf-8"))
    answers = parse(content)
    sheet = AnswerSheet(dog_id=dog.id, content=content, given_at=_moment(today, row["told"], "08:00"))
    told = StoredAssessment(
        dog_id=dog.id,
        result=cases.assess([], answers, cases.Truth(None, None)).model_dump(mode="json"),
        answers_id=sheet.id,
        made_at=_moment(today, row["told"], "08:01"),
    )
    with salon.write(WHO) as writer:
        for value in (dog, sheet, told):
            writer.add(value)
        _add_history(writer, row, dog, told, today)


def _add_history(writer: Writer, row: Mapping[str, Any], dog: Dog, told: StoredAssessment, today: date) -> None:
    measured = []
    for days, length_mm in row.get("measured", ()):
        on = today + timedelta(days=days)
        measured.append(writer.add(valid(Measurement, dog_id=dog.id, length_mm=length_mm, measured_on=on)))
    for days, at, *rest in row.get("visits", ()):
        noted = dict(zip(("minutes", "state", "remarks", "took_minutes", "work"), rest, strict=False))
        writer.add(valid(Appointment, dog_id=dog.id, starts_at=_moment(today, days, at), **noted))
    for check in row.get("checks", ()):
        fields = {name: value for name, value in check.items() if name != "day"}
        at = _moment(today, check["day"], "11:00")
        writer.add(valid(CheckRecord, dog_id=dog.id, by=GROOMER, checked_at=at, **fields))
    if "finding" in row:
        found = {name: value for name, value in row["finding"].items() if name != "day"}
        at = max(_moment(today, row["finding"]["day"], "12:00"), told.made_at + timedelta(minutes=1))
        finding = writer.add(valid(Finding, dog_id=dog.id, by=GROOMER, found_at=at, assessment_id=told.id, **found))
        answers = cases.answers_of(writer, dog.id)
        since = cases.assess([], answers, cases.Truth.of(finding, measured)).model_dump(mode="json")
        after = {"result": since, "answers_id": told.answers_id, "made_at": at + timedelta(minutes=1)}
        writer.add(StoredAssessment(dog_id=dog.id, **after))


def _moment(today: date, days: int, at: str) -> datetime:
    return datetime.combine(today + timedelta(days=days), time.fromisoformat(at)).astimezone()
