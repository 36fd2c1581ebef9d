"""Put a finished folder in its place in one step, so that a crash leaves the old result or the new one whole."""

import ctypes
import errno
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

from crestfall.errors import OutputError
from crestfall.study import ARCHIVE, COMPARE_SCHEMA, SUMMARY_SCHEMA, SweepFolder

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2  # linux/fs.h
SCHEMAS = (SUMMARY_SCHEMA, COMPARE_SCHEMA)  # of the folders that --force may replace

# What runs and comparisons leave in any form; who adds to these folders has it here, and --force does not take it.
_TABLES = (
    *("schedule", "bill", "emissions", "years", "cashflow", "offers", "warranty"),
    *("options", "steps", "refused", "doubt"),
)
OWN_NAMES = frozenset(
    {
        *("summary.json", "timings.json", "inputs.yaml", ARCHIVE, "figures"),
        *("report.html", "report.pdf", "study.xlsx", "compare.html", "compare.pdf", "compare.xlsx"),
        *(f"{table}.{ending}" for table in _TABLES for ending in ("parquet", "csv")),
    }
)
OWN_FIGURES = (".svg", ".png")


@contextmanager
def result_folder(target: Path, *, force: bool = False) -> Iterator[Path]:
    """
    Give a temporary folder beside `target` to fill, and move it into place when the block ends well.

    Enter it before the work begins: what would stop the result from being written is found out first. Fill it under
    `writing`; an OSError of the work itself passes unchanged.

    Parameters
    ----------
    target : Path
        Where the result shall stand.
    force : bool, default=False
        Whether an older result of Crestfall may be replaced.

    Yields
    ------
    Path
        An empty folder; it is removed if the block raises.

    Raises
    ------
    OutputError
        If the target exists and may not be replaced, or nothing can be written there.
    """
    _check_target(target, force=force)
    with _swapped_in(target) as draft:
        yield draft


class UnwrittenError(OSError):
    """A result could not be written; other errors of the system have nothing to do with its place."""


@contextmanager
def writing() -> Iterator[None]:
    """
    Mark what goes wrong inside as a failure to write a result.

    Raises
    ------
    UnwrittenError
        In place of any other OSError.
    """
    try:
        yield
    except OSError as error:
        raise UnwrittenError(error.errno, error.strerror or str(error)) from error


@contextmanager
def changed_folder(target: Path) -> Iterator[Path]:
    """
    Give a copy of a finished folder to change, and put it in the folder's place when the block ends well.

    Parameters
    ----------
    target : Path
        The folder of a run, a comparison or a sweep.

    Yields
    ------
    Path
        The copy; it is removed if the block raises.

    Raises
    ------
    OutputError
        If nothing can be written there, or a sweep is being written.
    """
    folder = SweepFolder(target)
    with folder.locked() if folder.exists else nullcontext(), _swapped_in(target) as draft:
        with writing():
            shutil.copytree(target, draft, dirs_exist_ok=True)
        yield draft


@contextmanager
def _swapped_in(target: Path) -> Iterator[Path]:
    """Give an empty folder beside the target, and put it in its place."""
    try:
        place = target.resolve()  # behind a link to a folder, that folder is what is replaced
        here = Path.cwd()
        if place in (here, *here.parents):
            raise OutputError(
                f"{target}: this folder is replaced as a whole, and you are in it\n"
                "    name it from outside, or name another"
            )
        place.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{place.name}-", dir=place.parent))
    except OSError as error:
        raise _cannot_write(target, error) from None
    try:
        yield draft
        with writing():
            draft.chmod(0o755)  # mkdtemp made it for one user only
            _put_in_place(draft, place)
    except UnwrittenError as error:
        raise _cannot_write(target, error) from None
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _check_target(target: Path, *, force: bool) -> None:
    try:
        above = next(folder for folder in target.absolute().parents if os.path.lexists(folder))
        if not above.is_dir():
            raise OutputError(f"--out {target}: {above} is a file, expected a folder\n    name another place")
        if not os.path.lexists(target):
            return
        if not target.is_dir():
            raise OutputError(
                f"--out {target}: this is a file, expected a folder\n    name a folder that does not exist yet"
            )
        if not any(target.iterdir()):
            return
    except OSError as error:
        raise _cannot_write(target, error) from None
    if not force:
        raise OutputError(
            f"--out {target}: the folder exists\n    name another, or add --force to replace an older result"
        )
    if not _is_result(target):
        raise OutputError(
            f"--out {target}: the folder holds something else than a result\n"
            "    --force replaces only results; name another folder"
        )
    if (foreign := _foreign(target)) is not None:
        raise OutputError(
            f"--out {target}: the folder holds a result and {foreign.relative_to(target)}, which is no part of one\n"
            "    --force would remove it: take it away, or name another folder"
        )


def _is_result(folder: Path) -> bool:
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(summary, dict) and summary.get("schema") in SCHEMAS


def _foreign(folder: Path) -> Path | None:
    """Return something in the folder of a result that did not come with it, None if there is nothing."""
    figures = folder / "figures"
    found = [one for one in folder.iterdir() if one.name not in OWN_NAMES]
    found += [one for one in figures.iterdir() if one.suffix not in OWN_FIGURES] if figures.is_dir() else []
    return min(found, default=None)


def _put_in_place(draft: Path, target: Path) -> None:
    """Move the draft to the target; an older result ends up in the draft's place, where the caller removes it."""
    if not target.exists():
        draft.rename(target)
        return
    if _exchange(draft, target):
        return
    # Without an atomic exchange the old result keeps a whole copy under another name until the new one stands.
    aside = draft.with_name(draft.name + "-old")
    target.rename(aside)
    try:
        draft.rename(target)
    except BaseException:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _exchange(first: Path, second: Path) -> bool:
    """Swap two folders atomically; return whether this system can."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    return bool(rename(_AT_FDCWD, os.fsencode(first), _AT_FDCWD, os.fsencode(second), _RENAME_EXCHANGE) == 0)


def _cannot_write(target: Path, error: OSError) -> OutputError:
    if error.errno == errno.ENOSPC:
        return OutputError(
            f"--out {target}: no space left on the disk; nothing was kept\n    free some space, or name another place"
        )
    return OutputError(
        f"--out {target}: cannot be written: {error.strerror or error}\n    name a folder in a place you may write to"
    )
