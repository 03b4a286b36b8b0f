"""Rebuilding the photos from the labels: against a server on this machine only."""

from __future__ import annotations

import hashlib
import io
import random
import tarfile
import threading
from collections import Counter
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from PIL import Image, ImageFilter

from coatclass.photo import difference_hash, hash_distance
from training.dataset.labels import LABEL_COLUMNS, examine, file_url, manifest_from_labels
from training.dataset.photos import Fetcher, FetchProblem, Status, rebuild
from training.places import read_csv, write_csv


def picture(seed: int, size: tuple[int, int] = (300, 200)) -> Image.Image:
    noise = Image.frombytes("RGB", (12, 8), random.Random(seed).randbytes(12 * 8 * 3))
    return noise.resize(size, Image.Resampling.BICUBIC).filter(ImageFilter.GaussianBlur(2))


def encoded(image: Image.Image, form: str = "JPEG", **options: int) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, form, **options)
    return buffer.getvalue()


def label(name: str, data: bytes, source_url: str = "", file_url: str = "", set_: str = "open") -> dict[str, str]:
    image = Image.open(io.BytesIO(data))
    known = {
        "photo_id": name, "file": f"{set_}/{name}.jpg", "set": set_, "breed": "beagle", "breed_id": "beagle",
        "split": "train", "group": name, "usable": "y",
        "category": "fur", "category_1": "fur", "band": "under_19mm", "band_1": "under_19mm",
        "licence": "CC BY 4.0", "licence_tier": "O" if set_ == "oxford" else "A", "author": "an author of the tests",
        "source_url": source_url, "file_url": file_url, "width": str(image.width), "height": str(image.height),
        "sha256": hashlib.sha256(data).hexdigest(), "dhash": difference_hash(image),
    }  # fmt: skip
    return {column: known.get(column, "") for column in LABEL_COLUMNS}


class Site:
    """A web site on loopback: paths to (status, body, content type); counts what was asked and by whom."""

    def __init__(self) -> None:
        self.pages: dict[str, tuple[int, bytes, str]] = {}
        self.asked: Counter[str] = Counter()
        self.agents: set[str] = set()
        self.busy: Counter[str] = Counter()
        self.moved: dict[str, str] = {}
        site = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                site.asked[self.path] += 1
                site.agents.add(self.headers.get("User-Agent", ""))
                if self.path in site.moved:
                    self.send_response(302)
                    self.send_header("Location", site.moved[self.path])
                    self.end_headers()
                    return
                if site.busy[self.path] > 0:
                    site.busy[self.path] -= 1
                    self.send_response(503)
                    self.send_header("Retry-After", "7")
                    self.end_headers()
                    return
                status, body, content_type = site.pages.get(self.path, (404, b"", "text/plain"))
                self.send_response(status)
                self.send_header("Content-Type", content_type)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.root = f"http://127.0.0.1:{self.server.server_port}"
        threading.Thread(target=self.server.serve_forever, args=(0.01,), daemon=True).start()

    def put(self, path: str, body: bytes, content_type: str = "image/jpeg", status: int = 200) -> str:
        self.pages[path] = (status, body, content_type)
        return self.root + path


@pytest.fixture
def site() -> Iterator[Site]:
    site = Site()
    yield site
    site.server.shutdown()
    site.server.server_close()


@pytest.fixture
def naps() -> list[float]:
    return []


@pytest.fixture
def fetcher(naps: list[float]) -> Fetcher:
    return Fetcher(contact="tests@example.org", pause_s=0, timeout_s=60, sleep=naps.append)


# --- checking -------------------------------------------------------------------------------------------------------


def test_a_larger_recompressed_original_is_recognised_and_another_picture_is_not() -> None:
    ours = encoded(picture(1), quality=80)
    row = label("one", ours)
    again = (row["sha256"], row["dhash"], (300, 200))
    assert examine(ours, *again).is_ == "unchanged"
    assert examine(encoded(picture(1, (1500, 1000)), quality=60), *again).is_ == "same"
    assert examine(encoded(picture(1, (900, 600)), "PNG"), *again).is_ == "same"
    assert examine(encoded(picture(2)), *again).is_ == "different"
    assert examine(b"<html>no such file</html>", *again).is_ == "no_picture"
    assert examine(ours[: len(ours) // 2], *again).is_ == "no_picture"


def test_a_stretched_picture_counts_as_cropped() -> None:
    row = label("one", encoded(picture(1)))
    assert "cropped" in examine(encoded(picture(1, (300, 300))), row["sha256"], row["dhash"], (300, 200)).detail


def test_a_difference_hash_of_a_rising_ramp_is_all_ones() -> None:
    ramp = Image.linear_gradient("L").rotate(90)
    falling, rising = difference_hash(ramp), difference_hash(ramp.rotate(180))
    assert {falling, rising} == {"0" * 16, "f" * 16}
    assert hash_distance(falling, rising) == 64


# --- fetching -------------------------------------------------------------------------------------------------------


def test_the_server_learns_who_asks(site: Site, fetcher: Fetcher) -> None:
    fetcher.get(site.put("/a.jpg", b"x"))
    (agent,) = site.agents
    assert agent.startswith("coatclass-photos/") and "tests@example.org" in agent


def test_a_busy_server_is_asked_again_after_the_time_it_names(site: Site, fetcher: Fetcher, naps: list[float]) -> None:
    address = site.put("/a.jpg", b"x")
    site.busy["/a.jpg"] = 2
    assert fetcher.get(address).data == b"x"
    assert naps == [7.0, 7.0] and site.asked["/a.jpg"] == 3


def test_a_server_that_stays_busy_is_given_up(site: Site, fetcher: Fetcher) -> None:
    site.busy["/a.jpg"] = 99
    with pytest.raises(FetchProblem) as problem:
        fetcher.get(site.put("/a.jpg", b"x"))
    assert problem.value.kind == "failed" and site.asked["/a.jpg"] == fetcher.tries


@pytest.mark.parametrize(("status", "kind"), [(404, "gone"), (410, "gone"), (403, "refused"), (451, "refused")])
def test_a_clear_no_is_taken_at_the_first_time(site: Site, fetcher: Fetcher, status: int, kind: str) -> None:
    with pytest.raises(FetchProblem) as problem:
        fetcher.get(site.put("/a.jpg", b"", status=status))
    assert problem.value.kind == kind and site.asked["/a.jpg"] == 1


def test_a_file_over_the_ceiling_is_refused(site: Site, fetcher: Fetcher) -> None:
    fetcher.most_bytes = 100
    with pytest.raises(FetchProblem, match="too large") as problem:
        fetcher.get(site.put("/a.jpg", b"x" * 101))
    assert problem.value.kind == "refused"


def test_only_the_web_is_asked(site: Site, fetcher: Fetcher, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x")
    site.moved["/a.jpg"] = secret.as_uri()
    for address in (secret.as_uri(), "ftp://127.0.0.1/a", site.root + "/a.jpg"):
        with pytest.raises(FetchProblem):
            fetcher.get(address)


def test_one_host_gets_a_pause_between_requests(site: Site) -> None:
    now, naps = [0.0], []

    def sleep(seconds: float) -> None:
        naps.append(seconds)
        now[0] += seconds

    fetcher = Fetcher(pause_s=2, sleep=sleep, clock=lambda: now[0])
    address = site.put("/a.jpg", b"x")
    for _ in range(3):
        fetcher.get(address)
    assert naps == [2.0, 2.0]


# --- rebuilding -----------------------------------------------------------------------------------------------------


def test_each_photo_ends_as_what_it_is(site: Site, fetcher: Fetcher, tmp_path: Path) -> None:
    data = {
        name: encoded(picture(number)) for number, name in enumerate(("kept", "grown", "swapped", "lost", "closed"))
    }
    rows = [label(name, body, file_url=f"{site.root}/{name}.jpg") for name, body in data.items()]
    site.put("/kept.jpg", data["kept"])
    site.put("/grown.jpg", encoded(picture(1, (1200, 800))))
    site.put("/swapped.jpg", encoded(picture(77)))
    site.put("/closed.jpg", b"", status=403)
    outcomes = {outcome.photo_id: outcome for outcome in rebuild(rows, tmp_path, fetcher)}
    assert {name: outcome.status for name, outcome in outcomes.items()} == {
        "kept": Status.UNCHANGED,
        "grown": Status.SAME,
        "swapped": Status.DIFFERENT,
        "lost": Status.GONE,
        "closed": Status.REFUSED,
    }
    assert (tmp_path / "open" / "kept.jpg").read_bytes() == data["kept"]
    with Image.open(tmp_path / "open" / "grown.jpg") as grown:
        assert grown.size == (300, 200)  # reduced to what was labelled
    assert not (tmp_path / "open" / "swapped.jpg").exists()
    assert not list(tmp_path.rglob("*.part"))


def test_a_second_run_fetches_only_what_is_missing_or_damaged(site: Site, fetcher: Fetcher, tmp_path: Path) -> None:
    bodies = [encoded(picture(number)) for number in range(3)]
    rows = [label(f"p{n}", body, file_url=site.put(f"/{n}.jpg", body)) for n, body in enumerate(bodies)]
    del site.pages["/2.jpg"]
    rebuild(rows, tmp_path, fetcher)
    (tmp_path / "open" / "p1.jpg").write_bytes(b"damaged")
    site.put("/2.jpg", bodies[2])
    outcomes = rebuild(rows, tmp_path, fetcher)
    assert all(outcome.status is Status.UNCHANGED for outcome in outcomes)
    assert site.asked == {"/0.jpg": 1, "/1.jpg": 2, "/2.jpg": 2}


def test_an_interrupted_run_remembers_what_it_brought(site: Site, fetcher: Fetcher, tmp_path: Path) -> None:
    bodies = [encoded(picture(number)) for number in range(3)]
    rows = [label(f"p{n}", body, file_url=site.put(f"/{n}.jpg", body)) for n, body in enumerate(bodies)]

    def stop(outcome: object) -> None:
        if site.asked["/1.jpg"]:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rebuild(rows, tmp_path, fetcher, report=stop)
    rebuild(rows, tmp_path, fetcher)
    assert site.asked == {"/0.jpg": 1, "/1.jpg": 1, "/2.jpg": 1}


def test_pictures_are_found_on_their_page_by_their_look(site: Site, fetcher: Fetcher, tmp_path: Path) -> None:
    first, second, gone = (label(f"p{n}", encoded(picture(n)), source_url=site.root + "/wiki/beagle") for n in range(3))
    page = (
        b'<html><meta property="og:image" content="/thumb/a/9.jpg/80px-9.jpg"><img src="logo.svg">'
        b'<img src="/broken.jpg"><img src="/thumb/a/1.jpg/150px-1.jpg">'
        b'<img src="small.jpg" srcset="x.jpg 1x, /0.jpg 2x"></html>'
    )
    site.put("/wiki/beagle", page, "text/html")
    site.put("/thumb/a/9.jpg/80px-9.jpg", encoded(picture(9)))
    site.put("/thumb/a/1.jpg/150px-1.jpg", encoded(picture(1, (150, 100))))
    site.put("/a/1.jpg", encoded(picture(1, (900, 600))))
    site.put("/0.jpg", encoded(picture(0, (600, 400))))
    outcomes = {outcome.photo_id: outcome for outcome in rebuild([first, second, gone], tmp_path, fetcher)}
    assert [outcomes[name].status for name in ("p0", "p1", "p2")] == [Status.SAME, Status.SAME, Status.GONE]
    assert "not on its page" in outcomes["p2"].detail
    assert site.asked["/wiki/beagle"] == 1  # one page serves all its photos
    assert site.asked["/a/1.jpg"] == 1  # the thumbnail was smaller than what was labelled
    assert "/logo.svg" not in site.asked


def test_a_label_cannot_write_outside_the_folder(site: Site, fetcher: Fetcher, tmp_path: Path) -> None:
    body = encoded(picture(1))
    row = {**label("p", body, file_url=site.put("/p.jpg", body)), "file": "../escaped.jpg"}
    (outcome,) = rebuild([row], tmp_path / "photos", fetcher)
    assert outcome.status is Status.REFUSED and not (tmp_path / "escaped.jpg").exists()


# --- the command ----------------------------------------------------------------------------------------------------


@pytest.mark.train
def test_the_command_rebuilds_both_sets_and_prints_who_made_the_photos(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from torchvision.datasets import OxfordIIITPet

    from training.__main__ import main

    web, pet = encoded(picture(1)), encoded(picture(2))
    rows = [
        label("walked", web, file_url=site.put("/walked.jpg", web)),
        label("lost", encoded(picture(3)), file_url=site.root + "/lost.jpg"),
        label("beagle_1", pet, set_="oxford"),
        label("beagle_2", encoded(picture(4)), set_="oxford"),
    ]
    write_csv(tmp_path / "labels.csv", LABEL_COLUMNS, rows)
    cat = encoded(picture(5))
    (tmp_path / "not_dogs.csv").write_text(
        "file,width,height,sha256,dhash\n"
        f"cat_1.jpg,300,200,{hashlib.sha256(cat).hexdigest()},{difference_hash(Image.open(io.BytesIO(cat)))}\n"
    )
    trimap = encoded(Image.new("L", (300, 200), 2), "PNG")
    archives = {
        "images.tar.gz": {"images/beagle_1.jpg": pet, "images/cat_1.jpg": cat},
        "annotations.tar.gz": {
            "annotations/trimaps/beagle_1.png": trimap,
            "annotations/trainval.txt": b"beagle_1 1 2 1\n",
            "annotations/test.txt": b"cat_1 2 1 1\n",
        },
    }
    resources = []
    for name, files in archives.items():
        buffer = io.BytesIO()
        with tarfile.open(fileobj=buffer, mode="w:gz") as archive:
            for path, body in files.items():
                entry = tarfile.TarInfo(path)
                entry.size = len(body)
                archive.addfile(entry, io.BytesIO(body))
        address = site.put(f"/{name}", buffer.getvalue(), "application/gzip")
        resources.append((address, hashlib.md5(buffer.getvalue(), usedforsecurity=False).hexdigest()))
    monkeypatch.setattr(OxfordIIITPet, "_RESOURCES", tuple(resources))
    arguments = ["photos", "--out", str(tmp_path / "out"), "--labels", str(tmp_path / "labels.csv"), "--pause", "0"]
    assert main(arguments) == 3  # something is gone
    said = capsys.readouterr().out
    assert "2 of 4 photos are there" in said
    assert "gone: lost" in said and "gone: beagle_2" in said
    assert "an author of the tests; CC BY 4.0; " in said and "CVPR" in said
    photos = tmp_path / "out" / "photos"
    assert {row["photo_id"] for row in read_csv(photos / "manifest.csv")} == {"walked", "beagle_1"}
    assert (photos / "trimaps" / "beagle_1.png").is_file()
    assert (tmp_path / "out" / "not_dogs" / "cat_1.jpg").read_bytes() == cat
    assert "beagle_1" not in (photos / "fetched.csv").read_text().split("gone")[-1]


def test_missing_labels_are_refused_in_plain_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from training.__main__ import main

    assert main(["photos", "--out", str(tmp_path), "--labels", str(tmp_path / "none.csv")]) == 3
    assert "is not there" in capsys.readouterr().err


# --- addresses and words --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("photo_id", "page", "address"),
    [
        (
            "x__commons-tomer_x",
            "https://commons.wikimedia.org/wiki/File:Africanis_%281%29.jpg",
            "https://commons.wikimedia.org/wiki/Special:FilePath/Africanis_%281%29.jpg?width=1280",
        ),
        (
            "poodle_cross__dreambooth_dog3_01",
            "https://github.com/google/dreambooth",
            "https://raw.githubusercontent.com/google/dreambooth/main/dataset/dog3/01.jpg",
        ),
        ("x__enwiki-datarobot_x_1", "https://en.wikipedia.org/wiki/tosa", ""),
    ],
)
def test_addresses_of_files_are_known_where_a_source_has_a_rule(photo_id: str, page: str, address: str) -> None:
    assert file_url({"photo_id": photo_id, "source_url": page}) == address


@pytest.mark.photos
def test_the_labels_give_back_the_manifest_word_for_word(photos: Path) -> None:
    labels = read_csv(Path(__file__).resolve().parents[2] / "datasets" / "labels.csv")
    manifest = sorted(read_csv(photos / "manifest.csv"), key=lambda row: row["photo_id"])
    assert manifest_from_labels(labels) == manifest
