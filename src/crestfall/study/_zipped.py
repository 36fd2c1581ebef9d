"""Packed values as the bytes of a zip archive of numpy arrays (NPZ) with one JSON document; the same for the same."""

import io
import json
import zipfile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.study._packing import pack, unpack

DOCUMENT = "study.json"
LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the first time that a zip archive knows


def zipped(document: dict[str, Any], arrays: list[NDArray[Any]]) -> bytes:
    """
    Return a document and its arrays as one archive.

    Parameters
    ----------
    document : dict
        Ready for JSON.
    arrays : list of ndarray
        What it refers to by number.

    Returns
    -------
    bytes
        The archive.
    """
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        _write(file, DOCUMENT, json.dumps(document, ensure_ascii=False, allow_nan=False).encode())
        for number, array in enumerate(arrays):
            content = io.BytesIO()
            np.save(content, array, allow_pickle=False)
            _write(file, f"{number}.npy", content.getvalue())
    return buffer.getvalue()


def arrays_in(file: zipfile.ZipFile) -> list[NDArray[Any]]:
    """
    Return the arrays of an archive.

    Parameters
    ----------
    file : ZipFile
        The archive.

    Returns
    -------
    list of ndarray
        Arrays by number.
    """
    count = len(file.namelist()) - 1
    return [np.load(io.BytesIO(file.read(f"{number}.npy")), allow_pickle=False) for number in range(count)]


def value_bytes(value: object) -> bytes:
    """
    Return a value that `pack` knows as an archive of its own.

    Parameters
    ----------
    value : object
        What to keep.

    Returns
    -------
    bytes
        The archive.
    """
    return zipped(*pack(value))


def value_in(content: bytes) -> Any:
    """
    Return the value that `value_bytes` was given.

    Parameters
    ----------
    content : bytes
        The archive.

    Returns
    -------
    object
        An equal value.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as file:
        return unpack(json.loads(file.read(DOCUMENT)), arrays_in(file))


def _write(file: zipfile.ZipFile, name: str, content: bytes) -> None:
    entry = zipfile.ZipInfo(name, date_time=LONG_AGO)
    entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
    file.writestr(entry, content)
