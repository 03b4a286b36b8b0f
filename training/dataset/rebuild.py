"""Fetching the photos that the labels name, checking each, and saying what is gone."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from html.parser import HTMLParser
from itertools import groupby
from pathlib import Path
from urllib.parse import urljoin, urlsplit

from PIL import Image

from training.dataset.fetch import Fetcher, FetchProblem
from training.dataset.labels import PictureCheck, examine, open_picture, read_csv, reduced, write_csv

DONE = "fetched.csv"
# No more pictures of one page are looked through than this.
MOST_ON_A_PAGE = 60
_REMEMBER_EVERY = 50


class Status(StrEnum):
    """What became of one photo."""

    UNCHANGED = "unchanged"
    SAME = "same"
    DIFFERENT = "different"
    GONE = "gone"
    REFUSED = "refused"
    FAILED = "failed"

    @property
    def usable(self) -> bool:
        """The file is there and is the picture that was labelled."""
        return self in (Status.UNCHANGED, Status.SAME)


@dataclass(frozen=True)
class Outcome:
    """One photo: what became of it, from where, why, and the hash of the file as written."""

    photo_id: str
    file: str
    status: Status
    address: str = ""
    detail: str = ""
    sha256: str = ""


Rows = Sequence[Mapping[str, str]]
Report = Callable[[Outcome], None]


def rebuild(
    rows: Rows, out: Path, fetcher: Fetcher, *, oxford: Path | None = None, report: Report | None = None
) -> list[Outcome]:
    """Bring the photos of these rows into ``out`` and say what became of each, in the order of the rows.

    What an earlier run brought and is still intact isn't fetched again. Photos larger than labelled are reduced to the
    labelled size, so that figures compare.

    Args:
        rows: rows of the labels.
        out: folder for the photos; ``fetched.csv`` in it remembers what was done.
        fetcher: fetches the open photos.
        oxford: folder of the Oxford-IIIT Pet data set (with ``images``); its rows are passed over if None.
        report: called after each photo.
    """
    out.mkdir(parents=True, exist_ok=True)
    outcomes = {outcome.photo_id: outcome for outcome in _intact(out)}
    wanted = [row for row in rows if row["photo_id"] not in outcomes]
    try:
        for number, outcome in enumerate(_bring(wanted, out, fetcher, oxford), start=1):
            outcomes[outcome.photo_id] = outcome
            if report:
                report(outcome)
            if number % _REMEMBER_EVERY == 0:
                _remember(outcomes.values(), out)
    finally:
        _remember(outcomes.values(), out)
    return [outcomes[row["photo_id"]] for row in rows if row["photo_id"] in outcomes]


def _remember(outcomes: Iterable[Outcome], out: Path) -> None:
    rows = [{field.name: str(getattr(outcome, field.name)) for field in fields(Outcome)} for outcome in outcomes]
    write_csv(out / DONE, [field.name for field in fields(Outcome)], rows)


def _intact(out: Path) -> Iterator[Outcome]:
    for row in read_csv(out / DONE) if (out / DONE).is_file() else []:
        outcome = Outcome(**{**row, "status": Status(row["status"])})  # type: ignore[arg-type]
        path = out / outcome.file
        if outcome.status.usable and path.is_file() and _sha256(path.read_bytes()) == outcome.sha256:
            yield outcome


def _bring(rows: Rows, out: Path, fetcher: Fetcher, oxford: Path | None) -> Iterator[Outcome]:
    if oxford is not None:
        for row in rows:
            if row["set"] == "oxford":
                yield _from_oxford(row, out, oxford)
    web = [row for row in rows if row["set"] != "oxford"]
    for row in web:
        if row["file_url"]:
            yield _from_address(row, out, fetcher)
    rest = sorted((row for row in web if not row["file_url"]), key=lambda row: row["source_url"])
    for page, group in groupby(rest, key=lambda row: row["source_url"]):
        yield from _from_page(page, list(group), out, fetcher)


def _from_oxford(row: Mapping[str, str], out: Path, oxford: Path) -> Outcome:
    name = Path(row["file"]).name
    path = oxford / "images" / name
    if not path.is_file():
        return _outcome(row, Status.GONE, detail="is not in this copy of the Oxford-IIIT Pet data set")
    outcome = _taken(row, path.read_bytes(), out, f"oxford-iiit-pet/images/{name}")
    trimap = oxford / "annotations" / "trimaps" / f"{path.stem}.png"
    if outcome.status.usable and trimap.is_file():
        target = out / "trimaps" / trimap.name
        target.parent.mkdir(parents=True, exist_ok=True)
        with Image.open(trimap) as mask:
            mask.resize(_size(row), Image.Resampling.NEAREST).save(target)
    return outcome


def _from_address(row: Mapping[str, str], out: Path, fetcher: Fetcher) -> Outcome:
    try:
        fetched = fetcher.get(row["file_url"])
    except FetchProblem as problem:
        return _outcome(row, Status(problem.kind), row["file_url"], problem.detail)
    return _taken(row, fetched.data, out, fetched.address)


def _from_page(page: str, rows: Rows, out: Path, fetcher: Fetcher) -> Iterator[Outcome]:
    """Find each row's picture among those on its page by the look of it; the address may also be the picture itself."""
    waiting = list(rows)
    try:
        fetched = fetcher.get(page)
        direct = not fetched.content_type.startswith("text/")
        addresses = [page] if direct else _pictures_on(fetched.data.decode("utf-8", "replace"), fetched.address)
    except FetchProblem as problem:
        for row in waiting:
            yield _outcome(row, Status(problem.kind), page, problem.detail)
        return
    for address in addresses[:MOST_ON_A_PAGE]:
        if not waiting:
            return
        try:
            data = fetched.data if direct else fetcher.get(address).data
        except FetchProblem:
            continue
        for row in [row for row in waiting if _verdict(data, row).is_ in ("unchanged", "same")]:
            waiting.remove(row)
            yield _taken(row, _larger(address, data, row, fetcher), out, address)
    for row in waiting:
        yield _outcome(row, Status.GONE, page, "the picture is not on its page any more")


def _larger(address: str, data: bytes, row: Mapping[str, str], fetcher: Fetcher) -> bytes:
    """The original behind a Wikimedia thumbnail that is smaller than what was labelled, if it can be had."""
    start, thumb, rest = address.partition("/thumb/")
    if not thumb or open_picture(data).width >= int(row["width"]):
        return data
    try:
        original = fetcher.get(f"{start}/{rest.rsplit('/', 1)[0]}").data
    except FetchProblem:
        return data
    return original if _verdict(original, row).is_ in ("unchanged", "same") else data


class _Pictures(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attrs}
        if tag == "meta" and named.get("property") in ("og:image", "og:image:secure_url"):
            self.found.append(named.get("content", ""))
        elif tag == "img":
            self.found.append(named.get("src", ""))
            choices = [choice.split() for choice in named.get("srcset", "").split(", ") if choice.strip()]
            self.found.extend(choice[0] for choice in choices[-1:])


def _pictures_on(html: str, base: str) -> list[str]:
    parser = _Pictures()
    parser.feed(html)
    addresses = dict.fromkeys(urljoin(base, found) for found in parser.found if found)
    return [
        address
        for address in addresses
        if urlsplit(address).scheme in ("http", "https")
        and not urlsplit(address).path.lower().endswith((".svg", ".ico"))
    ]


def _taken(row: Mapping[str, str], data: bytes, out: Path, address: str) -> Outcome:
    verdict = _verdict(data, row)
    if verdict.is_ not in ("unchanged", "same"):
        return _outcome(row, Status.DIFFERENT, address, verdict.detail)
    if verdict.is_ == "same":
        data = reduced(data, _size(row))
    target = out / row["file"]
    if not target.resolve().is_relative_to(out.resolve()):
        return _outcome(row, Status.REFUSED, address, "names a file outside the folder")
    target.parent.mkdir(parents=True, exist_ok=True)
    half = target.with_suffix(".part")
    half.write_bytes(data)
    half.replace(target)
    return Outcome(row["photo_id"], row["file"], Status(verdict.is_), address, verdict.detail, _sha256(data))


def _verdict(data: bytes, row: Mapping[str, str]) -> PictureCheck:
    return examine(data, row["sha256"], row["dhash"], _size(row))


def _size(row: Mapping[str, str]) -> tuple[int, int]:
    return int(row["width"]), int(row["height"])


def _outcome(row: Mapping[str, str], status: Status, address: str = "", detail: str = "") -> Outcome:
    return Outcome(row["photo_id"], row["file"], status, address, detail)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
