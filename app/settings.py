"""Where the web app keeps things and what it allows."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from ipaddress import ip_network
from pathlib import Path
from typing import Any

from platformdirs import user_data_path

from coatclass.errors import InputError
from coatclass.resources import read_toml

LIMITS = Path(__file__).with_name("limits.toml")
_HOST = re.compile(r"[\w-]+(\.[\w-]+)*\.?|[0-9A-Fa-f:]*:[0-9A-Fa-f:.]*")
_NO = ("", "0", "no", "off", "false")


def limits() -> dict[str, Any]:
    """The limits of ``limits.toml``; callers must not change what they get."""
    return read_toml(LIMITS)


@dataclass(frozen=True)
class Settings:
    """How one server runs.

    Attributes:
        data: folder of the database and the photo store.
        database_url: another database than the SQLite file in ``data``.
        photo_folder: another folder for the photos than the one that goes with the database; what was learned lies
            beside it. Servers that share a database must share it.
        secure_cookies: cookies travel over HTTPS only; off on loopback.
        hosts: further names that this server goes by, besides loopback and the address that is connected to.
        proxies: addresses of proxies that are believed when they say who asks; nobody else is.
        workbench: serve the researcher's workbench. Its framework keeps a visitor's session in one process, so
            processes that share a port go without.
        demo: fill an empty database with the demo scenario.
        limits: as read from ``limits.toml``.

    Raises:
        InputError: ``host`` or ``proxy`` for what is none: it would never be met, or believe everybody.
    """

    data: Path = field(default_factory=lambda: user_data_path("coatclass"))
    database_url: str | None = None
    photo_folder: Path | None = None
    secure_cookies: bool = False
    hosts: tuple[str, ...] = ()
    proxies: tuple[str, ...] = ()
    workbench: bool = True
    demo: bool = False
    limits: Mapping[str, Any] = field(default_factory=limits)

    def __post_init__(self) -> None:
        for name in self.hosts:
            if not _HOST.fullmatch(name):
                raise InputError(
                    name, "is no name of a host.", "Give it alone, such as salon.example, without http:// and port.",
                    code="host",
                )  # fmt: skip
        for proxy in self.proxies:
            try:
                ip_network(proxy)
            except ValueError as error:
                raise InputError(
                    proxy, "is no address of a proxy.", "Give it as 10.0.0.2 or 10.0.0.0/24.", code="proxy"
                ) from error

    @property
    def where(self) -> str:
        """Where the records lie, for people; without a password that the address may hold."""
        return str(self.data) if self.database_url is None else "the database that was named"

    @classmethod
    def chosen(
        cls,
        *,
        data: Path | None,
        database_url: str | None,
        demo: bool,
        photo_folder: Path | None = None,
        hosts: Sequence[str] = (),
        proxies: Sequence[str] = (),
    ) -> Settings:
        """Settings of the command line over those of the environment; the demo has a folder of its own."""
        settings = cls.from_environment(demo=demo)
        settings = replace(settings, hosts=(*settings.hosts, *hosts), proxies=(*settings.proxies, *proxies))
        if demo and data is None and database_url is None:
            return replace(settings, data=settings.data / "demo", database_url=None)
        if photo_folder is not None:
            settings = replace(settings, photo_folder=photo_folder)
        if data is not None:
            settings = replace(settings, data=data)
        return settings if database_url is None else replace(settings, database_url=database_url)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] = os.environ, **changes: Any) -> Settings:
        """Read COATCLASS_DATA, COATCLASS_DATABASE_URL, COATCLASS_HTTPS, COATCLASS_HOSTS and COATCLASS_PROXIES."""
        data = environment.get("COATCLASS_DATA")
        return cls(
            **{
                **({"data": Path(data)} if data else {}),
                "database_url": environment.get("COATCLASS_DATABASE_URL") or None,
                "secure_cookies": environment.get("COATCLASS_HTTPS", "").strip().casefold() not in _NO,
                **{
                    field: tuple(environment.get(name, "").replace(",", " ").split())
                    for field, name in (("hosts", "COATCLASS_HOSTS"), ("proxies", "COATCLASS_PROXIES"))
                },
                **changes,
            }
        )
