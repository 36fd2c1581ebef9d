"""What a finished study leaves so that its reports can be made again without solving.

A zip archive of numpy arrays (NPZ) with one JSON document that says what they belong to; data only. It belongs to the
version that wrote it: figures of one version and words of another would not fit.
"""

import io
import json
import zipfile
import zlib
from pathlib import Path

import crestfall
from crestfall.errors import InputError
from crestfall.scenario import Scenario
from crestfall.study._comparison import Comparison
from crestfall.study._packing import UnpackError, pack, unpack
from crestfall.study._result import Result
from crestfall.study._sweep_result import SweepResult
from crestfall.study._zipped import DOCUMENT, arrays_in, zipped

ARCHIVE = "archive.npz"
ARCHIVE_SCHEMA = "crestfall-archive/1"

Study = Result | Comparison | SweepResult


def archive_bytes(study: Study) -> bytes:
    """
    Return all that a study's reports need, the same bytes for equal studies.

    Parameters
    ----------
    study : Result, Comparison or SweepResult
        The study.

    Returns
    -------
    bytes
        The content of `ARCHIVE`.
    """
    packed, arrays = pack(study, before=_with_hashes)
    return zipped({"schema": ARCHIVE_SCHEMA, "crestfall": crestfall.__version__, "study": packed}, arrays)


def read_archive(folder: str | Path) -> Study:
    """
    Return the study that left a folder.

    Parameters
    ----------
    folder : str or Path
        The folder of a finished run, comparison or sweep.

    Returns
    -------
    Result, Comparison or SweepResult
        The study; its scenario no longer knows where its files stood.

    Raises
    ------
    InputError
        If the folder has no archive, or one that is damaged, foreign or of another version.
    """
    path = Path(folder) / ARCHIVE
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read: {error.strerror}\n    name the folder of a finished run, compare or sweep"
        ) from None
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as file:
            document = json.loads(file.read(DOCUMENT))
            _check_version(path, document)
            study = unpack(document["study"], arrays_in(file))
    except UnpackError as error:
        raise InputError(f"{path}: does not fit this version ({error})\n    run the study again") from None
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, KeyError, RuntimeError) as error:
        raise InputError(
            f"{path}: damaged, or no archive of a study ({str(error).strip()})\n"
            "    put back the file that was written, or run the study again"
        ) from None
    if not isinstance(study, Study):
        raise InputError(f"{path}: holds no study\n    run the study again")
    return study


def _with_hashes(value: object) -> object:
    """Let a scenario carry the hashes of its data files, which may be gone when it is read again."""
    return value.with_hashes() if isinstance(value, Scenario) else value


def _check_version(path: Path, document: object) -> None:
    known = document if isinstance(document, dict) else {}
    if known.get("schema") != ARCHIVE_SCHEMA:
        raise InputError(
            f"{path}: found the format {known.get('schema')!r}, expected {ARCHIVE_SCHEMA!r}\n    run the study again"
        )
    if known.get("crestfall") != crestfall.__version__:
        raise InputError(
            f"{path}: written by Crestfall {known.get('crestfall')}, this is {crestfall.__version__}\n"
            "    make the report with that version, or run the study again"
        )
