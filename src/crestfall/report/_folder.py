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
from crestfall.study import ARCHIVE, COMPARE_SCHEMA, SUMMARY_SCHEMA, CompareFolder, SweepFolder

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2  # linux/fs.h
SCHEMAS = (SUMMARY_SCHEMA, COMPARE_SCHEMA, CompareFolder.schema)  # of the folders that --force may replace

# What runs and comparisons leave in any form; who adds to these folders has it here, and --force does not take it.
_TABLES = (
    *("schedule", "bill", "emissions", "years", "cashflow", "offers", "warranty"),
    *("options", "steps", "refused", "doubt"),
)
OWN_NAMES = frozenset(
    {
        *("summary.json", "timings.json", "inputs.yaml", ARCHIVE, "figures"),
        *("comparison.json", "comparison.lock", "comparison.json.draft", "parts"),
        *("report.html", "report.pdf", "study.xlsx", "compare.html", "compare.pdf", "compare.xlsx"),
        *(f"{table}.{ending}" for table in _TABLES for ending in ("parquet", "csv")),
    }
)
OWN_FIGURES = (".svg", ".png")
OWN_PARTS = (".parquet", ".damaged", ".draft")
NOTHING_KEPT = "nothing was kept\n    free some space, or name another place"
FIGURES_KEPT = "what was studied is kept\n    free some space and go on with --resume"


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


def check_place(target: Path, *, force: bool) -> None:
    """
    Check, before a comparison begins, that its result can stand in a folder.

    Parameters
    ----------
    target : Path
        The folder.
    force : bool
        Whether an older result, or what an older comparison kept, may be given up.

    Raises
    ------
    OutputError
        If it cannot.
    """
    _check_outside(target)
    _check_target(target, force=True) if force else _check_is_folder(target)


@contextmanager
def finished_folder(target: Path) -> Iterator[Path]:
    """
    Give a temporary folder to fill beside one in which a comparison kept figures, and put it there with what was kept.

    Parameters
    ----------
    target : Path
        The folder that the comparison was given.

    Yields
    ------
    Path
        An empty folder; it is removed if the block raises.

    Raises
    ------
    OutputError
        If it cannot be written, or a comparison is being written there.
    """
    folder = CompareFolder(target)
    with folder.locked(), _swapped_in(target, if_full=FIGURES_KEPT) as draft:
        yield draft
        with writing():
            folder.copy_to(draft)


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
        If nothing can be written there, or a study is being written.
    """
    folder = next((one for one in (SweepFolder(target), CompareFolder(target)) if one.exists), None)
    with nullcontext() if folder is None else folder.locked(), _swapped_in(target) as draft:
        with writing():
            shutil.copytree(target, draft, dirs_exist_ok=True)
        yield draft


@contextmanager
def _swapped_in(target: Path, *, if_full: str = NOTHING_KEPT) -> Iterator[Path]:
    """Give an empty folder beside the target, and put it in its place."""
    try:
        place = _check_outside(target)
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
        raise _cannot_write(target, error, if_full=if_full) from None
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _check_outside(target: Path) -> Path:
    """Return where the target stands; raise if the current folder would be replaced with it."""
    place = target.resolve()  # behind a link to a folder, that folder is what is replaced
    here = Path.cwd()
    if place in (here, *here.parents):
        raise OutputError(
            f"{target}: this folder is replaced as a whole, and you are in it\n"
            "    name it from outside, or name another"
        )
    return place


def _check_is_folder(target: Path) -> bool:
    """Return whether there is anything in the target; raise if it is no folder or cannot become one."""
    try:
        above = next(folder for folder in target.absolute().parents if os.path.lexists(folder))
        if not above.is_dir():
            raise OutputError(f"--out {target}: {above} is a file, expected a folder\n    name another place")
        if not os.path.lexists(target):
            return False
        if not target.is_dir():
            raise OutputError(
                f"--out {target}: this is a file, expected a folder\n    name a folder that does not exist yet"
            )
        return any(target.iterdir())
    except OSError as error:
        raise _cannot_write(target, error) from None


def _check_target(target: Path, *, force: bool) -> None:
    if not _check_is_folder(target):
        return
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
    """Whether a run or a comparison left its result there, or a comparison what it kept until it was stopped."""
    return any(_schema_of(folder / name) in SCHEMAS for name in ("summary.json", CompareFolder(folder).manifest))


def _schema_of(path: Path) -> object:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found.get("schema") if isinstance(found, dict) else None


def _foreign(folder: Path) -> Path | None:
    """Return something in the folder of a result that did not come with it, None if there is nothing."""
    found = [one for one in folder.iterdir() if one.name not in OWN_NAMES]
    for inside, endings in ((folder / "figures", OWN_FIGURES), (folder / "parts", OWN_PARTS)):
        found += [one for one in inside.iterdir() if one.suffix not in endings] if inside.is_dir() else []
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


def _cannot_write(target: Path, error: OSError, *, if_full: str = NOTHING_KEPT) -> OutputError:
    if error.errno == errno.ENOSPC:
        return OutputError(f"--out {target}: no space left on the disk; {if_full}")
    return OutputError(
        f"--out {target}: cannot be written: {error.strerror or error}\n    name a folder in a place you may write to"
    )
