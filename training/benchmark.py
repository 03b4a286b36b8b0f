"""``python -m training benchmark``: speed and memory as ratios, all measured in one run on one machine.

Two things that are compared are timed in turn (A B A B ...), and the median of the pairwise ratios is what counts, so
that a machine whose speed drifts does not decide. What a user waits for is also compared with an earlier revision of
this program (:data:`EARLIER`), unpacked beside this one. Writes ``models/benchmark.json``, and the line of README that
quotes it; its ``startup`` says where a whole ``assess`` spends its processor time, step by step.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from coatclass.errors import InputError
from training.evaluation.tables import put_between
from training.places import ROOT, aims

BEGIN, END = "<!-- figures of models/benchmark.json: begin -->", "<!-- figures of models/benchmark.json: end -->"
FIGURES = ROOT / "models" / "benchmark.json"
EARLIER = "f2e6afa"
"""The revision that aims of speed speak of: the last one before they were set."""
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
    parser.add_argument("--pictures", type=Path, default=Path(os.environ.get("COATCLASS_PHOTOS", "../shared/photos")))
    parser.add_argument("--earlier", default=EARLIER, help=f"revision to compare with (default {EARLIER}); '' for none")
    parser.add_argument("--json", type=Path, default=FIGURES, help="where the figures go")
    parser.add_argument("--strict", action="store_true", help="exit code 1 when an aim was missed")


def run(args: argparse.Namespace) -> int:
    """Measure, print a table and the aims that were missed; with ``--strict`` these are a failure (exit code 1)."""
    from rich.console import Console
    from rich.table import Table

    console = Console()
    load = round(os.getloadavg()[0], 1)
    dogs = sorted(args.pictures.absolute().glob("**/*.jpg"))
    if len(dogs) < _PHOTOS:
        raise InputError(
            str(args.pictures), f"holds fewer than {_PHOTOS} photos.", "Name them with --pictures or COATCLASS_PHOTOS."
        )
    figures: list[Ratio] = []
    with console.status("measuring ..."), TemporaryDirectory() as folder:
        command = _assess_command(Path(folder))
        for measure in (_network, _decoding, _ensemble, _plan, _help):
            figures.append(measure(args.rounds))
        figures.append(_assess(command))
        if args.earlier:
            figures += _since(args.earlier, dogs, Path(folder), args.rounds)
        measured: dict[str, Any] = {
            "machine": {"cores": os.cpu_count(), "load_before": load, "python": sys.version.split()[0]},
            "ratios": [asdict(f) for f in figures],
            "peak_mb": {
                "assess a photo": _peak_mb(f"from coatclass.cli import main; main({command[3:]!r})"),
                "import torch": _peak_mb("import torch"),
            },
            "roofline": _roofline(args.rounds),
            "startup": _startup(dogs[0], min(args.rounds, 7)),
        }
    table = Table("what", "against", "ms", "ms", "ratio", "aim", "reached", title="speed, median of pairwise ratios")
    for f in figures:
        said = "yes" if f.reached else "NO"
        cells = (f"{f.first_ms:.1f}", f"{f.second_ms:.1f}", f"{f.ratio:.2f}", f"<= {f.aim:g}", said)
        table.add_row(f.what, f.against, *cells)
    console.print(table)
    args.json.write_text(json.dumps(measured, indent=1) + "\n")
    console.print(told(measured))
    for step in measured["startup"]:
        console.print(f"{step['cpu_ms']:7.1f} ms  {step['step']}", highlight=False)
    if args.json == FIGURES:
        put_between(ROOT / "README.md", BEGIN, END, f"\n{told(measured)}\n")
    found = missed(figures, measured["peak_mb"]["assess a photo"])
    console.print("Aims missed: " + "; ".join(found) if found else "All aims were reached.", highlight=False)
    return 1 if found and args.strict else 0


def missed(figures: Sequence[Ratio], peak_mb: float) -> list[str]:
    """Each aim that was missed, with what was measured."""
    found = [f"{f.what} {f.ratio:.2f} of {f.against} (aim {f.aim:g})" for f in figures if not f.reached]
    if peak_mb >= _aim("peak_mb"):
        found.append(f"a whole assess takes {peak_mb:.0f} MB (aim: under {_aim('peak_mb'):g})")
    return found


def told(measured: dict[str, Any]) -> str:
    """The figures in one line of Markdown."""
    ratios = "; ".join(f"{row['what']} {row['ratio']:.2f} of {row['against']}" for row in measured["ratios"])
    memory, roof, machine = measured["peak_mb"]["assess a photo"], measured["roofline"], measured["machine"]
    return (
        f"- Speed, as ratios of one run on {machine['cores']} cores (load before: {machine['load_before']}): {ratios}. "
        f"A whole `assess` takes {memory:.0f} MB. One look of the network: {roof['multiply_adds'] / 1e6:,.0f} million "
        f"multiply-adds, {roof['weight_bytes'] / 1e6:.0f} MB of weights, {roof['gflops']:.0f} GFLOP/s, which is "
        f"{roof['share_of_peak']:.2f} of what a large matrix product reaches on the same core."
    )


def _aim(name: str) -> float:
    return float(aims()["benchmark"][name])


def paired(
    first: Callable[[], Any], second: Callable[[], Any], rounds: int, *, totals: bool = False
) -> tuple[float, float, float]:
    """Median times of both in ms, and the median of the pairwise ratios first / second.

    With ``totals``, means and the ratio of the sums: where rounds differ in what they do.
    """
    first(), second()  # warm caches are what a long run sees
    times = [(_ms(first), _ms(second)) for _ in range(rounds)]
    if totals:
        ours, theirs = (sum(column) for column in zip(*times, strict=True))
        return ours / rounds, theirs / rounds, ours / theirs
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


# --- against an earlier revision --------------------------------------------------------------------------------------

_ONE_PHOTO = """
import sys
from coatclass.estimating import estimate_photo
for line in sys.stdin:
    estimate_photo(line.strip())
    print(flush=True)
"""
_PHOTOS = 8  # as many as one visitor may ask of at once by web


def _since(revision: str, dogs: Sequence[Path], folder: Path, rounds: int) -> list[Ratio]:
    """What a user waits for, now against an earlier revision, each as it is installed: no thread forbidden.

    Of photos spread evenly over the collection, for the network looks twice at some of them only; the mean of all.
    """
    photos = dogs[:: len(dogs) // _PHOTOS][:_PHOTOS]
    before = folder / "earlier"
    before.mkdir()
    archive = subprocess.run(["git", "archive", revision], cwd=ROOT, check=True, stdout=subprocess.PIPE)
    subprocess.run(["tar", "-x"], cwd=before, input=archive.stdout, check=True)
    assessing = [*_PYTHON, "-m", "coatclass", "assess", str(dogs[0]), "--breed", "beagle", "--json"]
    with ExitStack() as stack:
        roots = (ROOT, before)
        whole = paired(_whole(ROOT, assessing), _whole(before, assessing), min(rounds, 9))
        now, then = (stack.enter_context(_looped(root, photos)) for root in roots)
        loaded = paired(now, then, max(rounds // _PHOTOS, 1) * _PHOTOS, totals=True)
        now, then = (stack.enter_context(_web(root, photos)) for root in roots)
        web = paired(now, then, len(photos), totals=True)
        against = f"revision {revision}"
        return [
            Ratio("assess, start to exit", against, *whole, _aim("since_assess")),
            Ratio("one photo, loaded", against, *loaded, _aim("since_photo")),
            Ratio("photo to word by web", against, *web, _aim("since_web")),
        ]


def _as_installed(root: Path) -> dict[str, str]:
    """Environment of a command of a checkout whose compiled files are kept, as those of an installed copy are."""
    left_out = ("OMP_NUM_THREADS", "PYTHONDONTWRITEBYTECODE")
    return {name: value for name, value in os.environ.items() if name not in left_out} | {"PYTHONPATH": str(root)}


def _whole(root: Path, command: list[str]) -> Callable[[], Any]:
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    return lambda: subprocess.run(command, cwd=root, env=_as_installed(root), check=True, **quiet)  # type: ignore[call-overload]


@contextmanager
def _looped(root: Path, photos: Sequence[Path]) -> Iterator[Callable[[], Any]]:
    """One photo after the other, round and round, in a process that has loaded the program."""
    command, turn = [*_PYTHON, "-c", _ONE_PHOTO], itertools.cycle(photos)
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen(command, cwd=root, env=_as_installed(root), text=True, **pipes) as process:  # type: ignore[call-overload]

        def ask() -> None:
            print(next(turn), file=process.stdin, flush=True)
            if not process.stdout.readline():
                raise RuntimeError("the process ended")

        yield ask
        process.stdin.close()


@contextmanager
def _web(root: Path, photos: Sequence[Path]) -> Iterator[Callable[[], Any]]:
    """A photo sent to a server on loopback, until the assessment is there; no file twice."""
    import httpx

    turn, sent = itertools.cycle(photos), itertools.count()
    with TemporaryDirectory() as data, socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
        free.close()
        command = [*_PYTHON, "-m", "coatclass", "serve", "--no-browser", "--port", str(port), "--data", data]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        process = subprocess.Popen(command, cwd=root, env=_as_installed(root), **quiet)  # type: ignore[call-overload]
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as web:

            def ask() -> None:
                fresh = next(turn).read_bytes() + next(sent).to_bytes(
                    4
                )  # after the picture's end, where no decoder looks
                answer = web.post("/api/v1/assess", files={"photos": ("a.jpg", fresh, "image/jpeg")})
                answer.raise_for_status()

            try:
                _wait_for(web)
                yield ask
            finally:
                process.terminate()
                process.wait(30)


def _wait_for(web: Any) -> None:
    import httpx

    for _ in range(1200):
        with suppress(httpx.TransportError):
            if web.get("/health").is_success:
                return
        time.sleep(0.1)
    raise RuntimeError("the server does not answer")


# --- the network and the core -----------------------------------------------------------------------------------------


def _roofline(rounds: int) -> dict[str, float]:
    """The network's work for one look against what a core can do, here the product of two large matrices."""
    import numpy as np
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    from coatclass import vision

    model = vision.load_model()
    prepared = vision.to_tensor(_picture(), model.manifest.preprocessing)
    square = np.random.default_rng(_SEED).normal(size=(1024, 1024)).astype(np.float32)
    with threadpool_limits(1):
        network_ms, product_ms = (
            min(_cpu_ms(call) for _ in range(rounds + 1))
            for call in (lambda: model.outputs(prepared), lambda: square @ square)
        )
    multiply_adds, weight_bytes = _work(ROOT / "models" / model.manifest.network, prepared.shape)
    gflops, peak = 2 * multiply_adds / network_ms / 1e6, 2 * 1024**3 / product_ms / 1e6
    return {
        "multiply_adds": multiply_adds,
        "weight_bytes": weight_bytes,
        "gflops": gflops,
        "peak_gflops": peak,
        "share_of_peak": gflops / peak,
    }


def _cpu_ms(call: Callable[[], Any]) -> float:
    """Processor time of this process, which a busy machine lengthens least."""
    started = time.process_time()
    call()
    return 1e3 * (time.process_time() - started)


def _work(network: Path, shape: tuple[int, ...]) -> tuple[int, int]:
    """Multiply-adds of all convolutions and matrix products for an input of this shape, and bytes of the weights."""
    import onnx

    model = onnx.load(str(network))
    for size, value in zip(model.graph.input[0].type.tensor_type.shape.dim, shape, strict=True):
        size.dim_value = value
    graph = onnx.shape_inference.infer_shapes(model, data_prop=True).graph
    weights = {one.name: tuple(one.dims) for one in graph.initializer}
    sizes = weights | {
        one.name: tuple(size.dim_value for size in one.type.tensor_type.shape.dim)
        for one in (*graph.value_info, *graph.output, *graph.input)
    }
    total = 0
    for node in graph.node:
        if node.op_type in ("Conv", "MatMul", "Gemm"):
            made, by = math.prod(sizes[node.output[0]]), sizes[node.input[1]]
            transposed = any(one.name == "transB" and one.i for one in node.attribute)
            total += made * (math.prod(by[1:]) if node.op_type == "Conv" else by[-1 if transposed else -2])
    return total, sum(len(one.raw_data) for one in graph.initializer)


# --- from start to exit -----------------------------------------------------------------------------------------------

_STEPS = {
    "Python itself": "import gc; gc.set_threshold(1_000_000)  # as the command does",
    "import numpy": "import numpy",
    "import ONNX Runtime": "import onnxruntime",
    "import Pillow": "import PIL.Image, PIL.JpegImagePlugin",
    "import pydantic, a first model": "import pydantic\nclass First(pydantic.BaseModel): number: int",
    "contract: its models": "import coatclass.contract",
    "the network: checksum, session": "from coatclass import vision; vision.large_pages(); vision.load_model()",
    "import answers": "import coatclass.answers",
    "import breeds": "import coatclass.breeds",
    "import estimating": "from coatclass import estimating",
    "import toolkit, care, planning": "from coatclass.assessing import assess_readings",
    "command line: parse": "from coatclass import cli; given = cli._parser(ARGS, 'en').parse_args(ARGS)",
    "answers, the breed looked up": "from coatclass.cli import dog; said = dog.answers_of(given)",
    "open the photo": "from coatclass import photo; opened = photo.load(PHOTO)",
    "two looks of the network": "seen = vision.look(opened, file='a')",
    "the photo's report": "told = photo.report(opened, seen.evidence)",
    "estimate, verdict, plan": "found = assess_readings([estimating.Reading.of(told, seen.evidence)], said)",
    "JSON": "found.model_dump_json(indent=2)",
}


def _startup(photo: Path, rounds: int) -> list[dict[str, Any]]:
    """Processor time of each step of ``assess``, ms: the least of some runs, which the machine disturbed least.

    The steps follow each other here on one thread; the command itself reads the photo beside the imports.
    """
    arguments = ["assess", str(photo), "--breed", "beagle", "--json"]
    code = f"import time, json\nARGS, PHOTO, spent = {arguments!r}, {str(photo)!r}, [0.0]\n"
    code += "".join(f"{step}\nspent.append(time.process_time())\n" for step in _STEPS.values())
    environment = _as_installed(ROOT) | {"OMP_NUM_THREADS": "1", "PYDANTIC_DISABLE_PLUGINS": "__all__"}
    command = [*_PYTHON, "-c", f"{code}print(json.dumps(spent))"]
    runs = []
    for _ in range(rounds + 1):
        done = subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
        runs.append([after - before for before, after in itertools.pairwise(json.loads(done.stdout))])
    least = (1000 * min(spent) for spent in zip(*runs[1:], strict=True))
    return [{"step": step, "cpu_ms": round(ms, 1)} for step, ms in zip(_STEPS, least, strict=True)]


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
