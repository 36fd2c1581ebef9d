"""From a file name to bytes: unpacked, within limits, and text decoded."""

import codecs
import gzip
import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from crestfall.errors import SeriesError
from crestfall.series.meter._record import Notebook

# Ten years of minutes are some 150 MB of text. Reading takes about six times the text in memory.
LARGEST_BYTES = 1024**3
MOST_MEMBERS = 1000
EXPECTED = "expected CSV, XLSX, Parquet, Green Button XML or NEM12, plain or packed"
GZIP, ZIP, PARQUET = b"\x1f\x8b", b"PK\x03\x04", b"PAR1"
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Content:
    """The content of one file, or of one file in an archive.

    Parameters
    ----------
    name : str
        Path of the file, with the member of an archive behind it.
    data : bytes
        What it holds.
    """

    name: str
    data: bytes

    @property
    def is_workbook(self) -> bool:
        """Whether it is an XLSX file, which is a zip archive of its own kind."""
        return self.data.startswith(ZIP)


def contents(path: Path) -> Iterator[Content]:
    """
    Yield what a file holds, each member of an archive apart.

    Parameters
    ----------
    path : Path
        A file, plain or packed with gzip or zip.

    Yields
    ------
    Content
        Content of at most `LARGEST_BYTES`.

    Raises
    ------
    SeriesError
        If the file cannot be read, is empty or too large, or its archive is damaged or a bomb.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise SeriesError(f"{path}: is a folder\n    name the files in it")
        if size > LARGEST_BYTES:
            raise _too_large(str(path), size)
        data = path.read_bytes()
    except OSError as error:
        raise SeriesError(f"{path}: cannot be read: {error.strerror}\n    check name and permissions") from None
    if not data:
        raise SeriesError(f"{path}: the file is empty\n    expected meter data")
    if data.startswith(GZIP):
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as stream:
            yield Content(str(path), _unpacked(stream, str(path)))
    elif data.startswith(ZIP) and not _is_workbook(data, path):
        yield from _members(data, path)
    else:
        yield Content(str(path), data)


def decoded(content: Content, notes: Notebook, *, encoding: str | None) -> str:
    """
    Return the text of a file, with its encoding found by its marks.

    Parameters
    ----------
    content : Content
        The file.
    notes : Notebook
        Where the encoding is noted.
    encoding : str or None
        The encoding, if it was said.

    Returns
    -------
    str
        The text.

    Raises
    ------
    SeriesError
        If it is no text, or not in that encoding.
    """
    data = content.data
    if encoding is not None:
        found, why = encoding, "as said"
    else:
        found, why = _encoding(data, content.name)
    try:
        text = data.decode(found)
    except LookupError:
        raise SeriesError(f"--encoding {found}: no such encoding\n    write utf-8, cp1252 or utf-16") from None
    except UnicodeDecodeError as error:
        raise SeriesError(
            f"{content.name}: byte {error.start:,} is not {found}\n    give its encoding, for example --encoding cp1252"
        ) from None
    if "\x00" in text[:_CHUNK] or not text.strip():
        what = "holds nothing but blanks" if not text.strip() else "is not text (it holds zero bytes)"
        raise SeriesError(f"{content.name}: {what}\n    {EXPECTED}")
    notes.found("encoding", found, why, "--encoding")
    return text.removeprefix("\ufeff")


def _encoding(data: bytes, file: str) -> tuple[str, str]:
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            return name, "the file begins with its byte order mark"
    # Digits in UTF-16 have a zero byte beside them, always on the same side.
    head = data[:4096]
    zeros = [head[side::2].count(0) / max(len(head) // 2, 1) for side in (0, 1)]
    if zeros[1] > 0.8 and zeros[0] < 0.05:
        return "utf-16-le", "every second byte is zero"
    if zeros[0] > 0.8 and zeros[1] < 0.05:
        return "utf-16-be", "every second byte is zero"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        if not any(byte < 9 or 13 < byte < 32 for byte in head):
            return "cp1252", f"byte {error.start:,} is not UTF-8; the single-byte encoding of Western Europe"
        raise SeriesError(f"{file}: is not text (it holds control bytes)\n    {EXPECTED}") from None
    return "utf-8", "all bytes are"


def _is_workbook(data: bytes, path: Path) -> bool:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return "[Content_Types].xml" in archive.namelist()
    except zipfile.BadZipFile:
        raise _damaged(str(path)) from None


def _members(data: bytes, path: Path) -> Iterator[Content]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = [member for member in archive.infolist() if not member.is_dir() and member.file_size]
        if not members or len(members) > MOST_MEMBERS:
            raise SeriesError(
                f"{path}: the archive holds {len(members):,} files\n    expected between 1 and {MOST_MEMBERS:,}"
            )
        left = LARGEST_BYTES
        for member in members:
            name = f"{path}:{member.filename}"
            if member.flag_bits & 1:
                raise SeriesError(f"{name}: is encrypted\n    unpack it first")
            try:
                with archive.open(member) as stream:
                    content = _unpacked(stream, name, left)
            except (zipfile.BadZipFile, NotImplementedError):
                raise _damaged(name) from None
            left -= len(content)
            yield Content(name, content)


def _unpacked(stream: IO[bytes] | gzip.GzipFile, name: str, limit: int | None = None) -> bytes:
    """Unpack no more than the limit, whatever the archive says of its size."""
    limit = LARGEST_BYTES if limit is None else limit
    parts, size = [], 0
    try:
        while part := stream.read(_CHUNK):
            size += len(part)
            if size > limit:
                raise SeriesError(
                    f"{name}: unpacks to more than {limit / 1024**2:,.0f} MB\n    such a file is not opened;"
                    " meter data of ten years in steps of a minute take less"
                )
            parts.append(part)
    except (EOFError, OSError, zlib.error):
        raise _damaged(name) from None
    return b"".join(parts)


def _damaged(name: str) -> SeriesError:
    return SeriesError(f"{name}: the archive is damaged\n    fetch it again, or unpack it with another program")


def _too_large(name: str, size: int) -> SeriesError:
    return SeriesError(
        f"{name}: {size / 1024**3:,.1f} GB are too much to read at once\n    cut it into files of less than"
        f" {LARGEST_BYTES / 1024**3:,.0f} GB, for example one for each year, and name them all"
    )
