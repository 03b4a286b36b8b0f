"""Where the web app keeps things and what it allows."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from platformdirs import user_data_path

from coatclass.resources import read_toml

LIMITS = Path(__file__).with_name("limits.toml")


def limits() -> dict[str, Any]:
    """The limits of ``limits.toml``; callers must not change what they get."""
    return read_toml(LIMITS)


@dataclass(frozen=True)
class Settings:
    """How one server runs.

    Attributes:
        data: folder of the database and the photo store.
        database_url: another database than the SQLite file in ``data``.
        secure_cookies: cookies travel over HTTPS only; off on loopback.
        demo: fill an empty database with the demo scenario.
        limits: as read from ``limits.toml``.
    """

    data: Path = field(default_factory=lambda: user_data_path("coatclass"))
    database_url: str | None = None
    secure_cookies: bool = False
    demo: bool = False
    limits: Mapping[str, Any] = field(default_factory=limits)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] = os.environ, **changes: Any) -> Settings:
        """Read COATCLASS_DATA, COATCLASS_DATABASE_URL and COATCLASS_HTTPS."""
        data = environment.get("COATCLASS_DATA")
        return cls(
            **{
                **({"data": Path(data)} if data else {}),
                "database_url": environment.get("COATCLASS_DATABASE_URL"),
                "secure_cookies": environment.get("COATCLASS_HTTPS", "") not in ("", "0"),
                **changes,
            }
        )
