"""A folder of results that are kept as they come: what they depend on, and parts, each whole or not there at all."""

import contextlib
import errno
import hashlib
import json
import os
import re
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any, ClassVar

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

import crestfall
from crestfall.errors import OutputError
from crestfall.scenario import Scenario
from crestfall.study._sweep_case import RESULT_COLUMNS

PARTS = "parts"
PART = re.compile(r"part-(\d+)\.parquet")
SECONDS_A_PART = 5.0  # or when there are enough rows: what a crash can lose, and how many files there are


class PartsFolder:
    """A folder that one study at a time writes into.

    Parameters
    ----------
    path : Path
        The folder.
    """

    noun: ClassVar[str]  # of the study, which has files of this name
    noun_of_case: ClassVar[str]
    schema: ClassVar[str]
    others: ClassVar[str]  # what else can be done about a folder that holds such a study
    columns: ClassVar[pa.Schema]  # of the parts; the first is the case
    rows_a_part: ClassVar[int]

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notes: list[str] = []
        self._rows: list[dict[str, Any]] = []
        self._last = time.monotonic()
        self._next = 1

    @property
    def exists(self) -> bool:
        """Whether it holds such a study."""
        return (self.path / self.manifest).exists()

    @property
    def manifest(self) -> str:
        """Name of the file that says what the results depend on."""
        return f"{self.noun}.json"

    @property
    def lock(self) -> str:
        """Name of the file that is locked while it is written into."""
        return f"{self.noun}.lock"

    # Opening ---------------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def opened(
        self, base: Scenario, *, resume: bool, afresh: bool = False, seed: int | None = None
    ) -> Iterator[dict[str, dict[str, Any]]]:
        """Lock the folder, check that it belongs to this study, and give the results that are there by case.

        With `afresh` what was kept is given up; whoever asks for it has looked at what else the folder holds.
        """
        is_new = not self.exists
        with self._reported():
            if not (is_new or resume or afresh):
                raise OutputError(
                    f"--out {self.path}: the folder holds a {self.noun}\n"
                    f"    add --resume to go on with it, {self.others}"
                )
            if not afresh and is_new and self.path.is_dir() and any(self.path.iterdir()) and not self._is_ours():
                raise OutputError(
                    f"--out {self.path}: the folder holds something else\n    name one that does not exist yet"
                )
            (self.path / PARTS).mkdir(parents=True, exist_ok=True)
        with self.locked():
            manifest = {"schema": self.schema, **manifest_of(base, seed)}
            with self._reported():
                if afresh:
                    for part in (self.path / PARTS).iterdir():
                        part.unlink()
                if is_new or afresh:
                    self._write(self.manifest, (json.dumps(manifest, indent=2) + "\n").encode())
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
        """Return the seed of the study that the folder holds, if any."""
        try:
            seed = json.loads((self.path / self.manifest).read_text(encoding="utf-8")).get("seed")
        except (OSError, ValueError, AttributeError):
            return None
        return seed if isinstance(seed, int) else None

    def _is_ours(self) -> bool:
        """Whether nothing is there but what a study leaves that ended before it began."""
        return {entry.name for entry in self.path.iterdir()} <= {self.lock, PARTS, f"{self.manifest}.draft"}

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep others from writing while the block lasts."""
        with self._reported():
            file = (self.path / self.lock).open("a+b", buffering=0)
        with file:
            with self._reported():
                _lock(file, self.path, self.noun)
            yield

    def _check_same(self, manifest: dict[str, Any]) -> None:
        try:
            before = json.loads((self.path / self.manifest).read_text(encoding="utf-8"))
            if before.get("schema") != self.schema:
                raise ValueError("another schema")
        except (ValueError, AttributeError):
            raise OutputError(
                f"--out {self.path}: {self.manifest} is damaged or not of a {self.noun}\n    name another folder"
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

    def add(self, case: str, row: Mapping[str, Any]) -> None:
        """Keep the result of a case; it is on the disk after the next flush."""
        self._rows.append({"case": case, **row})
        if len(self._rows) >= self.rows_a_part or time.monotonic() - self._last >= SECONDS_A_PART:
            self.flush()

    def flush(self) -> None:
        """Write what is kept as a part."""
        if not self._rows:
            return
        table = pa.Table.from_pylist(self._rows, schema=self.columns)
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

    def _read_parts(self) -> dict[str, dict[str, Any]]:
        found: dict[str, dict[str, Any]] = {}
        for path in sorted((self.path / PARTS).iterdir()):
            if path.suffix == ".draft":
                path.unlink()  # of a study that was killed while it wrote
                continue
            if (number := PART.fullmatch(path.name)) is None:
                continue
            self._next = max(self._next, int(number[1]) + 1)
            try:
                table = pq.read_table(path, page_checksum_verification=True)
                if table.schema != self.columns:
                    raise pa.ArrowInvalid("other columns")
            except (pa.ArrowException, OSError):
                path.rename(path.with_suffix(".damaged"))
                self.notes.append(f"{path.name} is damaged: its {self.noun_of_case}s are computed again")
                continue
            found |= {row.pop("case"): row for row in table.to_pylist() if self._is_result(row)}
        return found

    def _is_result(self, _row: Mapping[str, Any]) -> bool:
        """Whether a row is to be taken for done."""
        return True

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


class SweepFolder(PartsFolder):
    """A folder that one sweep at a time writes into.

    Parameters
    ----------
    path : Path
        The folder.
    """

    noun, noun_of_case, schema, rows_a_part = "sweep", "case", "crestfall-sweep/1", 500
    others = "or name another folder"
    columns = pa.schema(
        [
            ("case", pa.string()),
            *((name, pa.string() if name in ("status", "reason") else pa.float64()) for name in RESULT_COLUMNS),
        ]
    )

    def _is_result(self, row: Mapping[str, Any]) -> bool:
        """What failed has no result: memory may have been short, or a worker's machine. It is tried again."""
        return bool(row["status"] != "failed")


def manifest_of(base: Scenario, seed: int | None) -> dict[str, Any]:
    """
    Return all that the results of a study have in common: another study's do not mix with them.

    Parameters
    ----------
    base : Scenario
        The scenario that they are made from.
    seed : int or None
        Start of the random numbers, to be used again.

    Returns
    -------
    dict
        Version, hash of the code, seed, and a hash of each input.
    """
    resolved = base.resolved()
    resolved["scenario"].pop("output")
    inputs = {name: _digest(resolved[name]) for name in ("scenario", "tariff", "tariff_choices", "catalogue")}
    return {
        "crestfall": crestfall.__version__,
        "code": code_hash(),
        "seed": seed,
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


def _lock(file: IO[bytes], folder: Path, noun: str) -> None:
    """Take a lock that the system gives back when this process ends, however it ends."""
    try:
        import fcntl
    except ImportError:  # pragma: no cover -- where there is no such lock, two studies are the user's to tell apart
        return
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        who = (file.read() or b"").decode(errors="replace").strip()
        raise OutputError(
            f"--out {folder}: another {noun} is writing there{f' (process {who})' if who else ''}\n"
            "    wait for it, or name another folder"
        ) from None
    file.truncate(0)
    file.write(str(os.getpid()).encode())
