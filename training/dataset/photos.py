"""``python -m training photos``: fetch what the labels name, check it, report what is gone, print the attribution list.

Needs the internet and is polite: one request at a time, a pause for each host, a contact in the user agent,
retries that back off. Leaves ``OUT/photos`` (with manifest.csv, as training expects it) and ``OUT/not_dogs``.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from enum import StrEnum
from html.parser import HTMLParser
from http.client import HTTPException, HTTPMessage
from itertools import groupby
from pathlib import Path
from typing import IO, Literal
from urllib.parse import urljoin, urlsplit

from PIL import Image

import coatclass
from coatclass.errors import InputError
from training.dataset.documents import attribution
from training.dataset.labels import (
    MANIFEST_COLUMNS,
    OBSERVED,
    OBSERVED_COLUMNS,
    OPINION_COLUMNS,
    OPINIONS,
    PictureCheck,
    examine,
    manifest_from_labels,
    open_picture,
    opinions,
    reduced,
)
from training.places import ROOT, read_csv, write_csv

LABELS = ROOT / "datasets" / "labels.csv"
DONE = "fetched.csv"
_NOT_ALL_CAME = 3  # exit code
_MOST_ON_A_PAGE = 60  # pictures of one page that are looked through
_REMEMBER_EVERY = 50  # photos
Kind = Literal["gone", "refused", "failed"]
_GONE, _AGAIN = (404, 410), (408, 425, 429, 500, 502, 503, 504)
_LONGEST_WAIT_S = 120.0


class FetchProblem(Exception):  # noqa: N818 - it names what happened, and never leaves this room
    """Why an address gave nothing: gone for good, refused (so don't ask again), or failed (worth another try)."""

    def __init__(self, kind: Kind, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail


@dataclass(frozen=True)
class Fetched:
    """What an address gave."""

    address: str
    data: bytes
    content_type: str


class _OnlyTheWeb(urllib.request.HTTPRedirectHandler):
    """Follows redirects to http and https only."""

    max_redirections = 5

    def redirect_request(  # noqa: PLR0917 - urllib's own signature
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: HTTPMessage, newurl: str
    ) -> urllib.request.Request | None:
        if urlsplit(newurl).scheme not in ("http", "https"):
            raise FetchProblem("refused", "redirects away from the web")
        return super().redirect_request(req, fp, code, msg, headers, newurl)


@dataclass
class Fetcher:
    """Fetches addresses one after the other.

    Args:
        contact: how a site's keeper reaches whoever runs this (an address or a page); part of the user agent.
        pause_s: least time between two requests to one host, seconds.
        timeout_s: longest silence of a server, seconds.
        tries: how often an address is tried.
        most_bytes: largest file taken.
    """

    contact: str = ""
    pause_s: float = 1.0
    timeout_s: float = 30.0
    tries: int = 4
    most_bytes: int = 40_000_000
    sleep: Callable[[float], None] = time.sleep
    clock: Callable[[], float] = time.monotonic
    _last: dict[str, float] = field(default_factory=dict)

    @property
    def user_agent(self) -> str:
        """Who asks, in the form that Wikimedia's user-agent policy wants."""
        contact = f"; {self.contact}" if self.contact else ""
        return f"coatclass-photos/{coatclass.__version__} (rebuilding a research data set{contact}) python-urllib"

    def get(self, address: str) -> Fetched:
        """Fetch an http or https address; return the body.

        Raises:
            FetchProblem: if there is none to be had.
        """
        if urlsplit(address).scheme not in ("http", "https"):
            raise FetchProblem("refused", "is no web address")
        for attempt in range(self.tries):
            self._wait_for_our_turn(address)
            try:
                return self._once(address)
            except urllib.error.HTTPError as error:
                problem, wait = _reading(error, attempt)
            except (urllib.error.URLError, HTTPException, TimeoutError, ConnectionError) as error:
                problem, wait = FetchProblem("failed", f"no answer ({error})"), 2.0**attempt
            if problem.kind != "failed" or attempt + 1 == self.tries:
                break
            self.sleep(wait)
        raise problem

    def _wait_for_our_turn(self, address: str) -> None:
        host = urlsplit(address).netloc
        due = self._last.get(host, -1e9) + self.pause_s - self.clock()
        if due > 0:
            self.sleep(due)
        self._last[host] = self.clock()

    def _once(self, address: str) -> Fetched:
        request = urllib.request.Request(
            address, headers={"User-Agent": self.user_agent, "Accept": "image/*, text/html"}
        )
        with urllib.request.build_opener(_OnlyTheWeb).open(request, timeout=self.timeout_s) as answer:
            announced = int(answer.headers.get("Content-Length") or 0)
            if announced > self.most_bytes:
                raise FetchProblem("refused", f"is too large ({announced:,} bytes)")
            data = answer.read(self.most_bytes + 1)
            if len(data) > self.most_bytes:
                raise FetchProblem("refused", f"is too large (over {self.most_bytes:,} bytes)")
            if len(data) < announced:
                raise ConnectionError(f"{len(data):,} of {announced:,} bytes came")
            return Fetched(answer.geturl(), data, answer.headers.get_content_type())


def _reading(error: urllib.error.HTTPError, attempt: int) -> tuple[FetchProblem, float]:
    if error.code in _GONE:
        return FetchProblem("gone", f"is gone (HTTP {error.code})"), 0.0
    if error.code not in _AGAIN:
        return FetchProblem("refused", f"is refused (HTTP {error.code})"), 0.0
    asked = error.headers.get("Retry-After", "") if error.headers else ""
    wait = min(float(asked), _LONGEST_WAIT_S) if asked.isdigit() else 2.0**attempt
    return FetchProblem("failed", f"is not to be had now (HTTP {error.code})"), wait


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
    for row in read_csv(out / DONE, optional=True):
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
    for address in addresses[:_MOST_ON_A_PAGE]:
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


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``python -m training photos``."""
    parser.add_argument("--out", type=Path, required=True, help="folder for photos/ and not_dogs/")
    parser.add_argument("--labels", type=Path, default=LABELS, help="the labels (default: datasets/labels.csv)")
    parser.add_argument("--only", choices=("oxford", "open"), help="fetch one of the two sets")
    parser.add_argument("--contact", default="", help="an address or page by which a site's keeper can reach you")
    parser.add_argument("--pause", type=float, default=1.0, help="least seconds between requests to one site")
    parser.add_argument("--quiet", action="store_true", help="don't print the attribution list (it is written anyway)")


def run(options: argparse.Namespace) -> int:
    """Fetch, check, report; 0 if every photo is there, else 3. An interrupted run is taken up where it stopped."""
    rows = read_csv(options.labels)
    if options.only:
        rows = [row for row in rows if row["set"] == options.only]
    if not rows:
        raise InputError(str(options.labels), "names no photo to fetch.", "Check --labels and --only.", code="empty")
    oxford = oxford_folder(options.out / "sources") if any(row["set"] == "oxford" for row in rows) else None
    fetcher = Fetcher(contact=options.contact, pause_s=options.pause)
    photos = options.out / "photos"
    outcomes = rebuild(rows, photos, fetcher, oxford=oxford, report=_say)
    if oxford is not None:
        _not_dogs(options.labels.parent / "not_dogs.csv", oxford, options.out / "not_dogs")
    _beside(options.labels.parent, photos)
    return finish(rows, outcomes, photos, quiet=options.quiet)


def _beside(published: Path, photos: Path) -> None:
    """Lay the further opinions and observed answers beside the manifest, where training looks for them."""
    if (published / OPINIONS).is_file():
        write_csv(photos / OPINIONS, OPINION_COLUMNS, opinions(read_csv(published / OPINIONS), words=False))
    if (published / OBSERVED).is_file():
        write_csv(photos / OBSERVED, OBSERVED_COLUMNS, read_csv(published / OBSERVED))


def finish(rows: Sequence[Mapping[str, str]], outcomes: Sequence[Outcome], photos: Path, *, quiet: bool) -> int:
    """Write the manifest and the attribution list of what came, and print what didn't."""
    came = {outcome.photo_id: outcome for outcome in outcomes if outcome.status.usable}
    kept = [{**row, "sha256": came[row["photo_id"]].sha256} for row in rows if row["photo_id"] in came]
    write_csv(photos / "manifest.csv", MANIFEST_COLUMNS, manifest_from_labels(kept))
    credits_ = attribution(kept) if kept else ""
    (photos / "ATTRIBUTION.md").write_text(credits_, encoding="utf-8")
    if not quiet:
        print(credits_)
    counts = Counter(str(outcome.status) for outcome in outcomes)
    print(
        f"{len(kept)} of {len(rows)} photos are there: " + ", ".join(f"{n} {name}" for name, n in counts.items()) + "."
    )
    for outcome in outcomes:
        if not outcome.status.usable:
            print(f"  {outcome.status}: {outcome.photo_id}: {outcome.detail} ({outcome.address})")
    return 0 if len(kept) == len(rows) else _NOT_ALL_CAME


def oxford_folder(root: Path) -> Path:
    """The Oxford-IIIT Pet data set, fetched through torchvision (800 MB, checked by its MD5) unless it is there.

    Raises:
        InputError: if it can't be had.
    """
    from torchvision.datasets import OxfordIIITPet

    root.mkdir(parents=True, exist_ok=True)
    try:
        OxfordIIITPet(root, download=True)
    except (OSError, RuntimeError) as error:
        raise InputError(
            "Oxford-IIIT Pet",
            f"could not be fetched ({error}).",
            "Try again later, or fetch the rest with --only open.",
            code="oxford",
        ) from error
    return root / "oxford-iiit-pet"


def _not_dogs(table: Path, oxford: Path, out: Path) -> None:
    """Fetch the cats, which stand for everything that is not a dog."""
    if not table.is_file():
        return
    out.mkdir(parents=True, exist_ok=True)
    for row in read_csv(table):
        path = oxford / "images" / row["file"]
        size = int(row["width"]), int(row["height"])
        data = path.read_bytes() if path.is_file() else b""
        verdict = examine(data, row["sha256"], row["dhash"], size)
        if verdict.is_ in ("unchanged", "same"):
            (out / row["file"]).write_bytes(data if verdict.is_ == "unchanged" else reduced(data, size))


def _say(outcome: Outcome) -> None:
    print(f"{outcome.status:>9}  {outcome.photo_id}", file=sys.stderr)
