"""``python -m training not-dogs``: who passes for a dog, and which dogs do not.

Looked at by the released network: the cats beside the photos, breed by breed; sample pictures of installed libraries
that show animals and things; and toys, drawings, noise, pages of text and screens of our own, made here from a fixed
seed. Of the dogs of train and val, the margins out of fold tell how many a limit would refuse. No picture here was used
in fitting anything.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Mapping
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from coatclass import photo
from coatclass.contract import PhotoReport, PhotoStatus, Verdict
from coatclass.errors import PhotoError
from coatclass.estimating import decide, estimate, look
from coatclass.reports.evaluation import binomial_interval
from coatclass.vision import read_manifest
from training.evaluation.cases import EVIDENCE
from training.places import ROOT, photos_folder

__all__ = ["add_arguments", "drawings", "pictures_of_libraries", "run", "trade_off"]

Row = dict[str, Any]
_PICTURES = (".png", ".jpg", ".jpeg", ".gif", ".webp")
# Where libraries keep sample pictures, by the module and the folder in it.
_LIBRARIES = {
    "skimage": "data",
    "sklearn": "datasets/images",
    "gradio": "media_assets/images",
    "matplotlib": "mpl-data/sample_data",
    "networkx": "drawing/tests/baseline",
}
_LIMITS = (-1.0, -0.5, -0.3, -0.2, -0.1, 0.0, 0.1, 0.15)  # nats
_SIDE, _MADE = 480, 8  # px; pictures of each kind
_SEED = 13


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--models", type=Path, default=ROOT / "models", help="folder of the release")
    parser.add_argument("--out", type=Path, default=ROOT / "models" / "not_dogs.json", help="where the figures go")


def run(options: argparse.Namespace) -> int:
    """Look at every picture, write the figures, print them."""
    seen = [*_cats(), *_of(pictures_of_libraries(), "sample pictures of libraries")]
    seen += [row for kind, pictures in drawings().items() for row in _of(pictures, kind)]
    report: dict[str, Any] = {
        "image_model": read_manifest().model_version,
        "limits": _limits(),
        "kinds": list(_by_kind(seen)),
        "trade_off": list(trade_off(seen, _dogs(options.models))),
        "passed": [row for row in seen if row["verdict"] not in _REFUSED],
    }
    options.out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    for row in (*report["kinds"], *report["trade_off"]):
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    return 0


_REFUSED = (str(Verdict.NOT_A_DOG), str(Verdict.UNUSABLE_PHOTO))


def _limits() -> dict[str, float]:
    margin = photo.default_limits().dog_margin
    return {"refused_under": margin.refused, "never_settled_under": margin.doubtful}


# --- pictures -------------------------------------------------------------------------------------------------------


def _cats() -> Iterator[Row]:
    files = sorted((photos_folder().parent / "not_dogs").glob("*.jpg"))
    for file in files:
        yield _seen(file, file.name, f"cats: {file.stem.rsplit('_', 1)[0].replace('_', ' ')}")


def pictures_of_libraries() -> Mapping[str, Path]:
    """Sample pictures that come with installed libraries, by library and name."""
    found: dict[str, Path] = {}
    for library, folder in _LIBRARIES.items():
        spec = find_spec(library)
        if spec is not None and spec.origin:
            files = sorted((Path(spec.origin).parent / folder).glob("*"))
            found |= {f"{library}: {file.name}": file for file in files if file.suffix.lower() in _PICTURES}
    return found


def _of(pictures: Mapping[str, Path | bytes], kind: str) -> list[Row]:
    return [_seen(source, name, kind) for name, source in pictures.items()]


def drawings() -> dict[str, dict[str, bytes]]:
    """Toys and drawings of animals, and what may be photographed by mistake, (kind, name) to a PNG: simulated."""
    rng = np.random.default_rng(_SEED)
    kinds: dict[str, Callable[[np.random.Generator], Image.Image]] = {
        "drawn animals (simulated)": _line_drawing,
        "flat pictures of animals (simulated)": _flat_picture,
        "plush animals (simulated)": _plush_animal,
        "noise and colour (simulated)": _noise,
        "pages of text (simulated)": _page,
        "screens (simulated)": _screen,
    }
    return {kind: {f"{kind} {n}": _png(make(rng)) for n in range(_MADE)} for kind, make in kinds.items()}


def _png(image: Image.Image) -> bytes:
    stream = BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()


def _animal(rng: np.random.Generator) -> list[tuple[str, list[float]]]:
    """Parts of an animal seen from the side: shapes with their boxes, as shares of the picture's side."""
    x, y, long, deep = rng.uniform(0.2, 0.3), rng.uniform(0.38, 0.48), rng.uniform(0.35, 0.45), rng.uniform(0.18, 0.26)
    head, leg = rng.uniform(0.15, 0.22), rng.uniform(0.16, 0.26)
    parts = [
        ("ellipse", [x, y, x + long, y + deep]),
        ("ellipse", [x + long - 0.06, y - head, x + long + head - 0.06, y]),
    ]
    for place in (0.05, 0.13, long - 0.16, long - 0.08):
        parts.append(("rectangle", [x + place, y + deep * 0.7, x + place + 0.045, y + deep * 0.7 + leg]))
    ear = x + long - 0.06
    parts += [
        ("ellipse", [ear, y - head - 0.04, ear + 0.06, y - head + 0.1]),
        ("ellipse", [x - 0.09, y - 0.04, x + 0.04, y + 0.04]),
    ]
    return parts


def _painted(parts: list[tuple[str, list[float]]], ground: Image.Image, **colours: Any) -> Image.Image:
    paint = ImageDraw.Draw(ground)
    for shape, box in parts:
        getattr(paint, shape)([_SIDE * end for end in box], **colours)
    return ground


def _line_drawing(rng: np.random.Generator) -> Image.Image:
    return _painted(
        _animal(rng), Image.new("RGB", (_SIDE, _SIDE), "white"), outline="black", width=int(rng.integers(2, 6))
    )


def _flat_picture(rng: np.random.Generator) -> Image.Image:
    ground, coat = (tuple(rng.integers(30, 226, 3).tolist()) for _ in range(2))
    return _painted(_animal(rng), Image.new("RGB", (_SIDE, _SIDE), ground), fill=coat)


def _plush_animal(rng: np.random.Generator) -> Image.Image:
    """Coarse noise for fur, rounded edges, on a board with grain."""
    mask = _painted(_animal(rng), Image.new("L", (_SIDE, _SIDE)), fill=255).filter(ImageFilter.GaussianBlur(6))
    fur = _grain(rng, (120, 220), 3)
    return Image.composite(fur, _grain(rng, (60, 200), 12), mask)


def _grain(rng: np.random.Generator, tones: tuple[int, int], coarse: int) -> Image.Image:
    colour = rng.integers(*tones, 3)
    noise = rng.normal(0, 25, (_SIDE // coarse, _SIDE // coarse, 1))
    pixels = np.clip(colour + noise, 0, 255).astype(np.uint8)
    return Image.fromarray(pixels).resize((_SIDE, _SIDE), Image.Resampling.BICUBIC)


def _noise(rng: np.random.Generator) -> Image.Image:
    """Noise from single-pixel grain to clouds as large as the picture."""
    coarse = int(rng.choice([1, 4, 16, 60, 160]))
    pixels = rng.integers(0, 256, (_SIDE // coarse, _SIDE // coarse, 3)).astype(np.uint8)
    return Image.fromarray(pixels).resize((_SIDE, _SIDE), Image.Resampling.BICUBIC)


def _page(rng: np.random.Generator) -> Image.Image:
    sheet = Image.new("RGB", (_SIDE, int(_SIDE * 1.4)), tuple(rng.integers(225, 256, 3).tolist()))
    paint, size = ImageDraw.Draw(sheet), int(rng.integers(11, 26))
    for y in range(30, sheet.height - 40, int(size * 1.5)):
        words = ["".join(rng.choice(list("abcdefghilmnoprstu"), int(rng.integers(2, 9)))) for _ in range(9)]
        paint.text((30, y), " ".join(words), fill=(30, 30, 30), font=ImageFont.load_default(size))
    return sheet.rotate(float(rng.uniform(-8, 8)), fillcolor=(110, 90, 70))


def _screen(rng: np.random.Generator) -> Image.Image:
    """A bar, cards with a picture each, and lines of text."""
    screen = Image.new("RGB", (_SIDE, int(_SIDE * 1.6)), tuple(rng.integers(220, 256, 3).tolist()))
    paint, colour = ImageDraw.Draw(screen), tuple(rng.integers(40, 200, 3).tolist())
    paint.rectangle([0, 0, _SIDE, 60], fill=colour)
    for y in range(90, screen.height - 150, 160):
        paint.rounded_rectangle([20, y, _SIDE - 20, y + 140], 12, fill="white", outline="grey")
        paint.ellipse([40, y + 25, 130, y + 115], fill=tuple(rng.integers(60, 230, 3).tolist()))
        for line in range(4):
            paint.rectangle(
                [160, y + 25 + 26 * line, int(rng.integers(260, _SIDE - 40)), y + 35 + 26 * line], fill="grey"
            )
    return screen


# --- what is said of them -------------------------------------------------------------------------------------------


def _seen(source: Path | bytes, name: str, kind: str) -> Row:
    """The verdict by the photo alone; its margin, and whether the coat would be settled, were it taken for a dog."""
    row: Row = {"kind": kind, "name": name}
    try:
        seen = look(source, name=name)
    except PhotoError:
        return row | {"verdict": str(Verdict.UNUSABLE_PHOTO), "margin": None, "settled_if_a_dog": False}
    as_dog = PhotoReport(file=seen.report.file, status=PhotoStatus.USED)
    known = estimate([seen.evidence])
    refused = seen.report.status is PhotoStatus.REFUSED
    verdict = decide(None if refused else known, [seen.report]).verdict
    settled = decide(known, [as_dog]).verdict is Verdict.SETTLED
    return row | {"verdict": str(verdict), "margin": seen.evidence.dog_margin, "settled_if_a_dog": settled}


def _by_kind(seen: list[Row]) -> Iterator[Row]:
    for kind in dict.fromkeys(row["kind"] for row in seen):
        of = [row for row in seen if row["kind"] == kind]
        yield _counted(kind, of)
    yield _counted("all cats", [row for row in seen if row["kind"].startswith("cats")])
    yield _counted("all", seen)


def _counted(name: str, of: list[Row]) -> Row:
    refused = sum(row["verdict"] in _REFUSED for row in of)
    settled = sum(row["verdict"] == Verdict.SETTLED for row in of)
    interval = [round(float(end), 4) for end in binomial_interval(refused, len(of))]
    return {"kind": name, "pictures": len(of), "refused": refused, "refused_interval": interval, "settled": settled}


# --- what another limit would do ------------------------------------------------------------------------------------


def _dogs(models: Path) -> dict[str, NDArray[np.float64]]:
    """Margins of the dogs of train and val, by what the network that read them had not seen.

    By one look or two, as at run time.
    """
    margins = {}
    for unseen, file in EVIDENCE.items():
        with np.load(models / file, allow_pickle=False) as arrays:
            margins[unseen] = arrays["dog_margin"][arrays["split"] != "test"].astype(np.float64)
    return margins


def trade_off(seen: list[Row], dogs: Mapping[str, NDArray[np.float64]]) -> Iterator[Row]:
    """For each limit of the margin: the shares of dogs under it, of other pictures, and who above it would be settled.

    Args:
        seen: other pictures with ``margin`` (None if they could not be opened) and ``settled_if_a_dog``.
        dogs: margins (N,), by what was held out.
    """
    opened = [row for row in seen if row["margin"] is not None]
    margin = np.array([row["margin"] for row in opened])
    cat = np.array([row["kind"].startswith("cats") for row in opened], bool)
    settled = np.array([row["settled_if_a_dog"] for row in opened], bool)
    for limit in _LIMITS:
        yield {
            "limit": limit,
            **{f"dogs_under_{unseen}": round(float((of < limit).mean()), 4) for unseen, of in dogs.items()},
            "cats_under": round(float((margin[cat] < limit).mean()), 4) if cat.any() else None,
            "others_under": round(float((margin[~cat] < limit).mean()), 4) if (~cat).any() else None,
            "settled_above": int((settled & (margin >= limit)).sum()),
        }
