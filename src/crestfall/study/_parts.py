"""The folder of a sweep: what it depends on, and its results in parts, each written whole or not at all."""

import contextlib
import errno
import hashlib
import json
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

import crestfall
from crestfall.errors import OutputError
from crestfall.study._sweep_case import RESULT_COLUMNS, Row
from crestfall.study._sweep_plan import SweepPlan

MANIFEST, LOCK, PARTS = "sweep.json", "sweep.lock", "parts"
PART = re.compile(r"part-(\d+)\.parquet")
SWEEP_SCHEMA = "crestfall-sweep/1"
ROWS_A_PART, SECONDS_A_PART = 500, 5.0  # whichever comes first: what a crash can lose, and how many files there are
SCHEMA = pa.schema(
    [
        ("case", pa.string()),
        *((name, pa.string() if name in ("status", "reason") else pa.float64()) for name in RESULT_COLUMNS),
    ]
)


class SweepFolder:
    """A folder that one sweep at a time writes into.

    Parameters
    ----------
    path : Path
        The folder.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notes: list[str] = []
        self._rows: list[dict[str, Any]] = []
        self._last = time.monotonic()
        self._next = 1

    @property
    def exists(self) -> bool:
        """Whether it holds a sweep."""
        return (self.path / MANIFEST).exists()

    # Opening ---------------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def opened(self, plan: SweepPlan, *, resume: bool) -> Iterator[dict[str, Row]]:
        """Lock the folder, check that it belongs to this sweep, and give the results that are there by case."""
        is_new = not self.exists
        with self._reported():
            if not is_new and not resume:
                raise OutputError(
                    f"--out {self.path}: the folder holds a sweep\n"
                    "    add --resume to go on with it, or name another folder"
                )
            if is_new and self.path.is_dir() and any(self.path.iterdir()) and not self._is_ours():
                raise OutputError(
                    f"--out {self.path}: the folder holds something else\n    name one that does not exist yet"
                )
            (self.path / PARTS).mkdir(parents=True, exist_ok=True)
        with self.locked():
            manifest = manifest_of(plan)
            with self._reported():
                if is_new:
                    self._write(MANIFEST, (json.dumps(manifest, indent=2) + "\n").encode())
                else:
                    self._check_same(manifest)
                found = self._read_parts()
            try:
                yield found
            except OutputError:
                raise  # there is no room for more
            except BaseException:
                with contextlib.suppress(OutputError):
                    self.flush()
                raise
            self.flush()

    def stored_seed(self) -> int | None:
        """Return the seed of the sweep that the folder holds, if any."""
        try:
            seed = json.loads((self.path / MANIFEST).read_text(encoding="utf-8")).get("seed")
        except (OSError, ValueError, AttributeError):
            return None
        return seed if isinstance(seed, int) else None

    def _is_ours(self) -> bool:
        """Whether nothing is there but what a sweep leaves that ended before it began."""
        return {entry.name for entry in self.path.iterdir()} <= {LOCK, PARTS, f"{MANIFEST}.draft"}

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other sweeps from writing while the block lasts."""
        with self._reported():
            file = (self.path / LOCK).open("a+b", buffering=0)
        with file:
            with self._reported():
                _lock(file, self.path)
            yield

    def _check_same(self, manifest: dict[str, Any]) -> None:
        try:
            before = json.loads((self.path / MANIFEST).read_text(encoding="utf-8"))
            if before.get("schema") != SWEEP_SCHEMA:
                raise ValueError("another schema")
        except (ValueError, AttributeError):
            raise OutputError(
                f"--out {self.path}: {MANIFEST} is damaged or not of a sweep\n    name another folder"
            ) from None
        changed = [name for name in ("crestfall", "code") if before.get(name) != manifest[name]]
        names = {"crestfall": "the version of Crestfall", "code": "the code of Crestfall"}
        words = [names[name] for name in changed]
        inputs = before.get("inputs", {})
        words += [
            name for name in sorted({*inputs, *manifest["inputs"]}) if inputs.get(name) != manifest["inputs"].get(name)
        ]
        if words:
            raise OutputError(
                f"--out {self.path}: its results are of other inputs; changed since: {', '.join(words)}\n"
                "    results of both do not mix: name another folder, or put back what was"
            )

    # Results ---------------------------------------------------------------------------------------------------------

    def add(self, case: str, row: Row) -> None:
        """Keep the result of a case; it is on the disk after the next flush."""
        self._rows.append({"case": case, **row})
        if len(self._rows) >= ROWS_A_PART or time.monotonic() - self._last >= SECONDS_A_PART:
            self.flush()

    def flush(self) -> None:
        """Write what is kept as a part."""
        if not self._rows:
            return
        table = pa.Table.from_pylist(self._rows, schema=SCHEMA)
        sink = pa.BufferOutputStream()
        pq.write_table(table, sink, write_page_checksum=True)
        with self._reported():
            self._write(f"{PARTS}/part-{self._next:06d}.parquet", sink.getvalue().to_pybytes())
        self._next += 1
        self._rows, self._last = [], time.monotonic()

    def write_table(self, name: str, table: pd.DataFrame) -> None:
        """Write a whole table."""
        sink = pa.BufferOutputStream()
        table.to_parquet(sink)
        with self._reported():
            self._write(name, sink.getvalue().to_pybytes())

    def write_text(self, name: str, text: str) -> None:
        """Write a text."""
        with self._reported():
            self._write(name, text.encode())

    def _read_parts(self) -> dict[str, Row]:
        found: dict[str, Row] = {}
        for path in sorted((self.path / PARTS).iterdir()):
            if path.suffix == ".draft":
                path.unlink()  # of a sweep that was killed while it wrote
                continue
            if (number := PART.fullmatch(path.name)) is None:
                continue
            self._next = max(self._next, int(number[1]) + 1)
            try:
                table = pq.read_table(path, page_checksum_verification=True)
                if table.schema != SCHEMA:
                    raise pa.ArrowInvalid("other columns")
            except (pa.ArrowException, OSError):
                path.rename(path.with_suffix(".damaged"))
                self.notes.append(f"{path.name} is damaged: its cases are computed again")
                continue
            # What failed has no result: memory may have been short, or a worker's machine. It is tried again.
            found |= {row.pop("case"): row for row in table.to_pylist() if row["status"] != "failed"}
        return found

    def _write(self, name: str, content: bytes) -> None:
        """Write a file so that it is there whole after any crash."""
        target = self.path / name
        draft = target.with_name(f"{target.name}.draft")
        try:
            with draft.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            draft.replace(target)
        except OSError:
            draft.unlink(missing_ok=True)
            raise

    @contextlib.contextmanager
    def _reported(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            if error.errno == errno.ENOSPC:
                text = "no space left on the disk; what was written before is kept"
                raise OutputError(f"--out {self.path}: {text}\n    free some space and go on with --resume") from None
            raise OutputError(
                f"--out {self.path}: cannot be written: {error.strerror or error}\n"
                "    name a folder in a place you may write to"
            ) from None


def manifest_of(plan: SweepPlan) -> dict[str, Any]:
    """
    Return all that the results of a sweep have in common: another sweep's do not mix with them.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.

    Returns
    -------
    dict
        Version, hash of the code, seed, and a hash of each input.
    """
    resolved = plan.base.resolved()
    resolved["scenario"].pop("output")
    inputs = {name: _digest(resolved[name]) for name in ("scenario", "tariff", "tariff_choices", "catalogue")}
    return {
        "schema": SWEEP_SCHEMA,
        "crestfall": crestfall.__version__,
        "code": code_hash(),
        "seed": plan.seed,
        "inputs": inputs | resolved["sha256"],
    }


def code_hash() -> str:
    """
    Return a SHA-256 over the source of this package: results of different code do not mix.

    Returns
    -------
    str
        The hash.
    """
    root, digest = Path(crestfall.__file__).parent, hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        digest.update(str(path.relative_to(root)).encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def _digest(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _lock(file: IO[bytes], folder: Path) -> None:
    """Take a lock that the system gives back when this process ends, however it ends."""
    try:
        import fcntl
    except ImportError:  # pragma: no cover -- where there is no such lock, two sweeps are the user's to tell apart
        return
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        who = (file.read() or b"").decode(errors="replace").strip()
        raise OutputError(
            f"--out {folder}: another sweep is writing there{f' (process {who})' if who else ''}\n"
            "    wait for it, or name another folder"
        ) from None
    file.truncate(0)
    file.write(str(os.getpid()).encode())
