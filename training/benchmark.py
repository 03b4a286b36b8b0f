"""``python -m training benchmark``: speed and memory as ratios, all measured in one run on one machine.

Two things that are compared are timed in turn (A B A B ...), and the median of the pairwise ratios is what counts, so
that a machine whose speed drifts does not decide. Writes ``models/benchmark.json``, and the line of README that quotes
it.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from training.evaluation.tables import put_between
from training.places import ROOT, aims

BEGIN, END = "<!-- figures of models/benchmark.json: begin -->", "<!-- figures of models/benchmark.json: end -->"
FIGURES = ROOT / "models" / "benchmark.json"
_SEED = 7
_TWELVE_MEGAPIXELS = (4032, 3024)


@dataclass(frozen=True)
class Ratio:
    """One comparison; ``reached`` says whether the aim was met."""

    what: str
    against: str
    first_ms: float
    second_ms: float
    ratio: float
    aim: float

    @property
    def reached(self) -> bool:
        """Whether the ratio is at or under the aim."""
        return self.ratio <= self.aim


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--rounds", type=int, default=15, help="timed rounds of each pair (default 15)")
    parser.add_argument("--json", type=Path, default=FIGURES, help="where the figures go")


def run(args: argparse.Namespace) -> int:
    """Measure, print a table; exit code 1 if an aim was missed."""
    from rich.console import Console
    from rich.table import Table

    console = Console()
    figures: list[Ratio] = []
    with console.status("measuring ..."), TemporaryDirectory() as folder:
        command = _assess_command(Path(folder))
        for measure in (_network, _decoding, _ensemble, _plan, _help):
            figures.append(measure(args.rounds))
        figures.append(_assess(command))
        assessing = f"from coatclass.cli import main; main({command[3:]!r})"
        memory = {"assess a photo": _peak_mb(assessing), "import torch": _peak_mb("import torch")}
    table = Table("what", "against", "ms", "ms", "ratio", "aim", "reached", title="speed, median of pairwise ratios")
    for f in figures:
        said = "yes" if f.reached else "NO"
        cells = (f"{f.first_ms:.1f}", f"{f.second_ms:.1f}", f"{f.ratio:.2f}", f"<= {f.aim:g}", said)
        table.add_row(f.what, f.against, *cells)
    console.print(table)
    console.print("peak memory, MB: " + ", ".join(f"{name} {mb:.0f}" for name, mb in memory.items()))
    measured = {"ratios": [asdict(f) for f in figures], "peak_mb": memory}
    args.json.write_text(json.dumps(measured, indent=1) + "\n")
    if args.json == FIGURES:
        put_between(ROOT / "README.md", BEGIN, END, f"\n{told(measured)}\n")
    return 0 if all(f.reached for f in figures) and memory["assess a photo"] < _aim("peak_mb") else 1


def told(measured: dict[str, Any]) -> str:
    """The figures in one line of Markdown."""
    ratios = "; ".join(f"{row['what']} {row['ratio']:.2f} of {row['against']}" for row in measured["ratios"])
    memory = measured["peak_mb"]["assess a photo"]
    return f"- Speed, as ratios of one run: {ratios}. A whole `assess` takes {memory:.0f} MB."


def _aim(name: str) -> float:
    return float(aims()["benchmark"][name])


def paired(first: Callable[[], Any], second: Callable[[], Any], rounds: int) -> tuple[float, float, float]:
    """Median times of both in ms, and the median of the pairwise ratios first / second."""
    first(), second()  # warm caches are what a long run sees
    times = [(_ms(first), _ms(second)) for _ in range(rounds)]
    return (
        statistics.median(a for a, _ in times),
        statistics.median(b for _, b in times),
        statistics.median(a / b for a, b in times),
    )


def _ms(call: Callable[[], Any]) -> float:
    started = time.perf_counter()
    call()
    return 1e3 * (time.perf_counter() - started)


def _picture(size: tuple[int, int] = (600, 450)) -> Any:
    """A smooth random picture: time does not depend on what is in it, only on its size."""
    import numpy as np
    from PIL import Image

    small = np.random.default_rng(_SEED).integers(0, 256, (24, 32, 3), dtype=np.uint8)
    return Image.fromarray(small).resize(size, Image.Resampling.BICUBIC)


def _network(rounds: int) -> Ratio:
    """The released network on ONNX Runtime against the same network in torch, eager, channels last, one thread."""
    import torch

    from coatclass.vision import load_model, to_tensor
    from training.image.network import CoatNetwork, load_backbone

    model = load_model()
    torch.set_num_threads(1)
    backbone = json.loads((Path("models") / "manifest.json").read_text())["training"]["config"]["backbone"]
    eager = CoatNetwork(load_backbone(backbone)).eval().to(memory_format=torch.channels_last)
    prepared = to_tensor(_picture(), model.manifest.preprocessing)
    given = torch.from_numpy(prepared).to(memory_format=torch.channels_last)

    def in_torch() -> None:
        with torch.inference_mode():
            eager(given)

    return Ratio(
        "network, ONNX Runtime",
        "torch eager",
        *paired(lambda: model.outputs(prepared), in_torch, rounds),
        aims()["benchmark"]["network"],
    )


def _decoding(rounds: int) -> Ratio:
    """Opening a 12-megapixel JPEG as the photo room does, against decoding it whole and shrinking it then."""
    from PIL import Image

    from coatclass import photo

    stream = BytesIO()
    _picture(_TWELVE_MEGAPIXELS).save(stream, "JPEG", quality=90)
    content = stream.getvalue()

    def whole() -> None:
        with Image.open(BytesIO(content)) as opened:
            opened.convert("RGB").resize((800, 600), Image.Resampling.BICUBIC)

    rounds = min(rounds, 7)
    return Ratio(
        "photo.load, 12 megapixels",
        "decoding whole",
        *paired(lambda: photo.load(content), whole, rounds),
        aims()["benchmark"]["decoding"],
    )


def _ensemble(rounds: int) -> Ratio:
    """The fitted ensemble and the decision against the network, for one photo with answers."""
    from coatclass import answers, estimating, vision

    given = answers.parse({"curl": "wavy", "feel": "soft", "trunk_length_mm": 40})
    model = vision.load_model()
    prepared = vision.to_tensor(_picture(), model.manifest.preprocessing)
    seen = model.look(_picture(), file="benchmark").evidence

    def fitted() -> None:
        estimating.decide(estimating.estimate([seen], given))

    return Ratio(
        "ensemble and decision",
        "network",
        *paired(fitted, lambda: model.outputs(prepared), rounds),
        aims()["benchmark"]["ensemble"],
    )


def _plan(rounds: int) -> Ratio:
    """A whole assessment from answers, with kit, routine and the plan after the visit, against the network."""
    from coatclass import answers, vision
    from coatclass.assessing import assess

    given = answers.parse({"curl": "curly", "weight_kg": 12, "minutes_per_week": 45, "mats": {"trunk": "felted"}})
    model = vision.load_model()
    prepared = vision.to_tensor(_picture(), model.manifest.preprocessing)
    pair = paired(lambda: assess((), given), lambda: model.outputs(prepared), rounds)
    return Ratio("assess from answers", "network", *pair, 0.5)


_PYTHON = [sys.executable]
_TORCH = [*_PYTHON, "-c", "import torch"]


def _help(rounds: int) -> Ratio:
    """``coatclass --help`` against starting Python with numpy."""
    first, second = [*_PYTHON, "-m", "coatclass", "--help"], [*_PYTHON, "-c", "import numpy"]
    return Ratio(
        "coatclass --help",
        "python with numpy",
        *paired(_calling(first), _calling(second), min(rounds, 7)),
        aims()["benchmark"]["help"],
    )


def _assess(command: list[str]) -> Ratio:
    """A whole assessment, from the start of Python, against importing torch."""
    return Ratio(
        "coatclass assess",
        "import torch",
        *paired(_calling(command), _calling(_TORCH), 5),
        aims()["benchmark"]["assess"],
    )


def _assess_command(folder: Path) -> list[str]:
    photo = folder / "benchmark.jpg"
    _picture(_TWELVE_MEGAPIXELS).save(photo, quality=90)
    return [*_PYTHON, "-m", "coatclass", "assess", str(photo), "--breed", "beagle", "--json"]


def _calling(command: list[str]) -> Callable[[], Any]:
    return lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


# The kernel's own high-water mark; getrusage would count what the parent held at the fork.
_REPORT = """
import sys
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")), file=sys.stderr)
"""


def _peak_mb(code: str) -> float:
    """Peak resident memory of a Python process that runs ``code``, MB (Linux)."""
    done = subprocess.run([*_PYTHON, "-c", code + _REPORT], check=True, capture_output=True, text=True)
    return float(done.stderr.splitlines()[-1]) / 1024
