"""Scoring on many machines, on Ray Data: each part of the list becomes one Parquet file in a folder.

The list of photos is written down first (``_photos.parquet``, a row group a part). An actor with a network of its own
takes a part, opens its photos, and writes ``part-NNNNNN.parquet`` whole or not at all; nothing but counts travels back.
A part that is there is made again only if a row of it failed: an interrupted run continues, and a worker or machine
that is lost costs the part that it was working on. Rows and their order are those of the table that
:mod:`coatclass.scoring.local` writes.
"""

from __future__ import annotations

import json
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from hashlib import blake2b
from pathlib import Path
from secrets import token_hex
from typing import Any
from uuid import uuid4

from coatclass.errors import CoatclassError, InputError, ModelFilesError, require
from coatclass.scoring import tables
from coatclass.scoring.local import PhotoIndex
from coatclass.scoring.sources import Photos
from coatclass.scoring.tables import FAILED, PROBLEM, Remote, Row, is_url, made_by, score_photo, storage

__all__ = ["check", "score_on_cluster"]

_LIST, _RUN = "_photos.parquet", "_run.json"  # readers of Parquet folders pass over names with an underscore
_IN_PLACE = ("s3", "gcs", "abfs")  # here a file appears only once it is whole, and renaming would copy it
_STORE_BYTES = 100_000_000  # Ray's store on one machine; nothing of ours is large
_STARTS = 3
_SPARING = {  # of a Ray that is there for one command only
    "RAY_enable_worker_prestart": "0",  # processes that wait for work: 100 MB each, and ours have no use for them
    "RAY_prestart_worker_first_driver": "0",
    "RAY_event_stats": "0",  # nobody reads these two; with them, its first process grew by 0.6 MB a minute
    "RAY_enable_metrics_collection": "0",
}
_LOOPBACK = "127.0.0.2"  # Ray replaces 127.0.0.1 by an address that other machines reach
_FILE, _SOURCE = "file", "source"


def check(out: str) -> None:
    """Make sure, before anything long begins, that what is needed is installed and the folder can be written.

    Raises:
        MissingExtraError: if Ray or pyarrow is not installed.
        InputError: if ``out`` is no folder.
    """
    require("Scoring on a cluster", "cluster", "ray", "pyarrow", "pandas")
    if out.lower().endswith((".csv", ".parquet")):
        problem = "is a table, but --engine ray writes a folder of Parquet files."
        raise InputError(out, problem, "Name a folder or its URL.")
    with _written(out):
        system, folder = storage(out)
        system.create_dir(folder, recursive=True)


def score_on_cluster(
    photos: Photos,
    out: str,
    *,
    part: int = 512,
    workers: int | None = None,
    address: str | None = None,
    advance: Callable[[Row | None, int], None] = lambda row, photos: None,
) -> Counter[str]:
    """Score ``photos``, each once, into Parquet files in the folder ``out`` and count the rows by status.

    Args:
        photos: as from :func:`coatclass.scoring.photos_at`, no archive.
        out: a folder that every machine of the cluster can write to, or a URL.
        part: photos of one file, and what a lost worker costs at most.
        workers: processes; all processors of the cluster if not given.
        address: of a running cluster; RAY_ADDRESS if not given, or else this machine alone.
        advance: called for each part with None and its number of photos if it was there already, else with a row that
            holds a problem, or nothing.

    Raises:
        InputError: if the folder can't be written or holds another run, or photos lie in an archive.
        MissingExtraError: if Ray is not installed.
        ModelFilesError: if released files are missing, damaged, or others on a machine of the cluster.
    """
    check(out)
    if not photos.apart:
        problem = "is an archive, which several machines can't read at once."
        raise InputError(photos.name, problem, "Unpack it into a folder, or score it with --engine local.")
    with _written(out):
        run = _begin(photos, out, part)
        folder = _Folder(out)
        there = {number: folder.counts(number) for number in sorted(folder.parts())}
        kept = {number: counts for number, counts in there.items() if not counts[FAILED]}
        for counts in kept.values():
            advance(None, counts.total())
        total = sum(kept.values(), Counter[str]())
        if missing := [number for number in range(run["parts"]) if number not in kept]:
            with _cluster(address, workers) as most:
                for done in _through_ray(missing, out, run, most):
                    counts = Counter[str](json.loads(done["counts"]))
                    advance(json.loads(done["problem"]) or {}, counts.total())
                    total += counts
        folder.tidy()
        return total


@contextmanager
def _written(out: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise InputError(out, f"can't be written ({error}).", "Name a folder that you may write to.") from error


# --- the list ---------------------------------------------------------------------------------------------------------


def _begin(photos: Photos, out: str, part: int) -> dict[str, Any]:
    """Write the list down, or find it as it was; the run that goes with it."""
    system, folder = storage(out)
    draft = f"{folder}/_photos-{uuid4().hex}.unfinished"
    total, digest = _write_list(photos, system, draft, part)
    run = {
        "made_by": made_by(),
        "photos": total,
        "parts": -(-total // part),
        "part": part,
        "list": digest,
        "carried": dict(photos.carried),
    }
    before = _read_json(system, f"{folder}/{_RUN}")
    if before is None:
        system.move(draft, f"{folder}/{_LIST}")
        with system.open_output_stream(f"{folder}/{_RUN}") as stream:
            stream.write(json.dumps(run, indent=1).encode())
    else:
        system.delete_file(draft)
        if changed := [name for name, value in run.items() if before.get(name) != value]:
            problem = f"holds another run (other in {', '.join(changed)})."
            raise InputError(out, problem, "Name a new folder, or repeat the command with which that run began.")
    return run


def _write_list(photos: Photos, system: Any, path: str, part: int) -> tuple[int, str]:
    """Every photo once, a row group a part; how many, and a digest of all."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = tables.parquet_schema(photos.carried, "")
    schema = pa.schema([(_FILE, pa.string()), (_SOURCE, pa.string())])
    for name in photos.carried:
        schema = schema.append(types.field(name))
    digest, total = blake2b(digest_size=16), 0
    with (
        closing(PhotoIndex()) as index,
        system.open_output_stream(path) as stream,
        pq.ParquetWriter(stream, schema) as writer,
    ):
        listed = (photo for photo in photos if index.add(photo.file, {}))
        for group in tables.batched(listed, part):
            rows = [{_FILE: photo.file, _SOURCE: _source(photo.source)} | photo.carried for photo in group]
            digest.update(json.dumps(rows).encode())
            total += len(rows)
            writer.write_table(pa.Table.from_pylist(rows, schema=schema), row_group_size=part)
    return total, digest.hexdigest()


def _source(source: Any) -> str:
    """Where every machine finds a photo. Names that are not UTF-8 keep their bytes."""
    if isinstance(source, Remote):
        return source.url
    return str(source.absolute()).encode("utf-8", "surrogateescape").decode("latin-1")


def _found(source: str) -> Any:
    if is_url(source):
        return Remote(source)
    return Path(source.encode("latin-1").decode("utf-8", "surrogateescape"))


def _read_json(system: Any, path: str) -> Any:
    try:
        with system.open_input_stream(path) as stream:
            return json.loads(stream.read())
    except FileNotFoundError:
        return None


class _Folder:
    """The parts that exist."""

    def __init__(self, out: str) -> None:
        self._system, self._path = storage(out)

    @staticmethod
    def name(number: int) -> str:
        """File of a part."""
        return f"part-{number:06d}.parquet"

    def file(self, number: int) -> str:
        """Path of a part."""
        return f"{self._path}/{self.name(number)}"

    def parts(self) -> set[int]:
        """Which are there."""
        from pyarrow import fs

        entries = self._system.get_file_info(fs.FileSelector(self._path))
        names = [entry.base_name for entry in entries]
        return {int(n[5:-8]) for n in names if n.startswith("part-") and n.endswith(".parquet") and n[5:-8].isdecimal()}

    def counts(self, number: int) -> Counter[str]:
        """Rows of a part by status; none if it is not there."""
        import pyarrow.parquet as pq

        try:
            with self._system.open_input_file(self.file(number)) as stream:
                return Counter(pq.ParquetFile(stream).read(["status"])["status"].to_pylist())
        except FileNotFoundError:
            return Counter()

    def read(self, number: int) -> list[Row]:
        """The photos of a part that are not scored yet."""
        import pyarrow.parquet as pq

        with self._system.open_input_file(f"{self._path}/{_LIST}") as stream:
            return list(pq.ParquetFile(stream).read_row_group(number).to_pylist())

    def write(self, number: int, rows: list[Row], schema: Any) -> None:
        """One part, whole or not at all."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        in_place = self._system.type_name in _IN_PLACE
        draft = self.file(number) if in_place else f"{self._path}/_{self.name(number)}-{uuid4().hex}.unfinished"
        with self._system.open_output_stream(draft) as stream:
            pq.write_table(pa.Table.from_pylist(rows, schema=schema), stream)
        if not in_place:
            try:
                self._system.move(draft, self.file(number))
            except FileNotFoundError:
                if not self.counts(number):  # else another run has ended here, which tidies once all parts are there
                    raise

    def tidy(self) -> None:
        """Remove what a lost worker left half written."""
        from pyarrow import fs

        for entry in self._system.get_file_info(fs.FileSelector(self._path)):
            if entry.base_name.startswith("_") and entry.base_name.endswith(".unfinished"):
                self._system.delete_file(entry.path)


# --- the work, by Ray -------------------------------------------------------------------------------------------------


@contextmanager
def _cluster(address: str | None, workers: int | None) -> Iterator[int]:
    """A cluster to work on, and how many processes it may take: one that runs, or Ray on this machine alone."""
    alone = address is None and "RAY_ADDRESS" not in os.environ
    how: dict[str, Any] = {"log_to_driver": False, "logging_level": "error"}
    if alone:  # reached by nobody but its own processes, and no page is served
        os.environ.setdefault("RAY_AUTH_MODE", "token")
        os.environ.setdefault("RAY_AUTH_TOKEN", token_hex(32))
        for name, value in _SPARING.items():
            os.environ.setdefault(name, value)
        how |= {"num_cpus": workers or os.cpu_count(), "include_dashboard": False, "object_store_memory": _STORE_BYTES}
        if sys.platform == "linux":  # other systems would need this loopback address configured first
            how["_node_ip_address"] = _LOOPBACK
    import ray  # not before: it reads the environment once

    if alone:
        _start_here(how)
    else:
        try:
            ray.init(address=address, **how)
        except Exception as error:  # it raises plain ones too
            problem = f"can't be reached ({error})."
            raise InputError(address or "the cluster", problem, "Check --address, or RAY_ADDRESS.") from error
    try:
        resources: dict[str, float] = ray.cluster_resources()  # type: ignore[no-untyped-call]
        yield workers or max(1, int(resources.get("CPU", 1)))
    finally:
        ray.shutdown()


def _start_here(how: dict[str, Any]) -> None:
    """Ray waits half a minute for its own processes, which a busy machine may need to start them."""
    import ray

    for left in reversed(range(_STARTS)):
        try:
            ray.init(address="local", **how)
            return
        except Exception as error:  # it raises plain ones too
            ray.shutdown()
            if not left:
                step = "Run the same command again, on a busy machine when it has less to do: what is done is kept."
                raise CoatclassError("Ray", f"did not start on this machine ({error}).", step) from error


def _through_ray(missing: list[int], out: str, run: dict[str, Any], most: int) -> Iterator[dict[str, Any]]:
    import logging

    import pyarrow as pa
    import ray

    context = ray.data.DataContext.get_current()
    context.enable_progress_bars = False
    logging.getLogger("ray.data").setLevel(logging.ERROR)
    # Blocks that are there already need no reading tasks, which would ask for processors beside the actors.
    parts = ray.data.from_arrow([pa.table({"part": [number]}) for number in missing])
    done = parts.map_batches(
        _Scorer,
        fn_constructor_args=(out if is_url(out) else str(Path(out).absolute()), run["made_by"], run["carried"]),
        batch_size=1,
        batch_format="numpy",
        compute=ray.data.ActorPoolStrategy(min_size=1, max_size=min(most, len(missing))),
        num_cpus=1,
    )
    try:
        yield from done.iter_rows()
    except ray.exceptions.RayError as error:
        raise _ours(error) from error


def _ours(error: BaseException) -> CoatclassError:
    """The error of ours that a worker raised, or one that says what to do."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, CoatclassError):
            return cause
        cause = getattr(cause, "cause", None) or cause.__cause__
    said = str(error).strip().splitlines()
    step = "What is done is kept: run the same command again. Each machine needs this version of coatclass[cluster]."
    return CoatclassError("the cluster", f"can't go on ({said[-1] if said else type(error).__name__}).", step)


class _Scorer:
    """An actor: one network in a process of its own, to which parts are given."""

    def __init__(self, out: str, release: str, carried: dict[str, tables.Kind]) -> None:
        from coatclass import vision

        here = made_by()
        if here != release:
            raise ModelFilesError("a machine of the cluster", f"has {here}, not {release}.", "Install the same there.")
        vision.load_model()
        self._folder, self._carried = _Folder(out), tuple(carried)
        self._schema = tables.parquet_schema(carried, release)

    def __call__(self, batch: dict[str, Any]) -> dict[str, Any]:
        """Make the parts that are not there; of each the rows by status, and the first problem, as JSON."""
        made = [self._make(int(number)) for number in batch["part"]]
        return {
            "part": batch["part"],
            "counts": [json.dumps(counts) for counts, _ in made],
            "problem": [json.dumps(problem) for _, problem in made],
        }

    def _make(self, number: int) -> tuple[Counter[str], Row | None]:
        counts = self._folder.counts(number)
        if counts and not counts[FAILED]:  # a worker believed lost may have finished it
            return counts, None
        problem: Row | None = None
        rows = []
        for photo in self._folder.read(number):
            row = score_photo(photo[_FILE], _found(photo[_SOURCE]))
            if row["status"] == FAILED:
                problem = problem or {_FILE: row[_FILE], PROBLEM: row[PROBLEM]}
            rows.append(row | {name: photo[name] for name in self._carried})
        self._folder.write(number, rows, self._schema)
        return Counter(row["status"] for row in rows), problem
