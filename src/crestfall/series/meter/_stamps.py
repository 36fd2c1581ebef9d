"""From texts to moments on the file's own clock. Dates and times of day repeat: each different one is read once."""

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._cells import MIDNIGHT, MONTHS
from crestfall.series.meter._record import DateOrder, Notebook

if TYPE_CHECKING:
    import pyarrow as pa

DAY_S = 86_400
NO_OFFSET = np.iinfo(np.int32).min
ORDER_WORDS: dict[DateOrder, str] = {"ymd": "year, month, day", "dmy": "day, month, year", "mdy": "month, day, year"}
CENTURY = 2000  # two-digit years: interval meters are younger than that

_PARTS = re.compile(r"(\d{1,4})[-./ ](\d{1,2})[-./ ](\d{1,4})\Z")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})\Z")
_NAMED = re.compile(r"(?:(\d{1,2})[-. /]?([A-Za-z]{3})[A-Za-z]*|([A-Za-z]{3})[A-Za-z]* (\d{1,2}),?)[-. /]?(\d{2,4})\Z")
_CLOCK = re.compile(
    r"(\d{1,2}):?(\d{2})(?::?(\d{2})(?:[.,](\d+))?)?\s*(?:([AaPp])(?:\.?[Mm]\.?)?(?![A-Za-z]))?"
    r"\s*(Z|[+-]\d{2}(?::?\d{2})?|[A-Z]{3,5})?\Z"
)
_EPOCH = re.compile(r"1\d{9}|1\d{12}")

NamesToOffsets = Callable[[set[str], tuple[int, int]], Mapping[str, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Moments on the clock of a file.

    Parameters
    ----------
    wall_s : ndarray of int64, shape (n_rows,)
        Seconds since 1970 as the clock shows them.
    offset_s : ndarray of int32, shape (n_rows,)
        UTC offset that stands with the stamp, `NO_OFFSET` where none does [s].
    bad : ndarray of bool, shape (n_rows,)
        Rows whose cells are no moment.
    has_24 : bool
        Whether a time of day is 24:00.
    """

    wall_s: NDArray[np.int64]
    offset_s: NDArray[np.int32]
    bad: NDArray[np.bool_]
    has_24: bool


def moments(
    dates: "pa.ChunkedArray",
    clocks: "pa.ChunkedArray | None",
    notes: Notebook,
    order: DateOrder | None,
    names_to_offsets: NamesToOffsets,
) -> Moments | None:
    """
    Read stamps, or dates with times of day.

    Parameters
    ----------
    dates : pyarrow string array of shape (n_rows,)
        Dates, or stamps with both if `clocks` is None.
    clocks : pyarrow string array of shape (n_rows,) or None
        Times of day.
    notes : Notebook
        Where the order of day and month is noted or asked.
    order : {"dmy", "mdy", "ymd"} or None
        The order, if it was said.
    names_to_offsets : callable
        Gives the UTC offsets that names behind times of day stand for, from names and first and last moment.

    Returns
    -------
    Moments or None
        None where the order of day and month is open.
    """
    import pyarrow.compute as pc

    dates = pc.utf8_trim_whitespace(dates)
    if clocks is None:
        first = next((cell for cell in dates[:1000].to_pylist() if cell), "")
        if _EPOCH.fullmatch(first):
            return _epoch(dates, notes)
        dates, clocks = _parted(dates, first)
    elif ":" in str(dates[0]):
        dates = pc.replace_substring_regex(dates, MIDNIGHT.pattern.replace(r"\Z", "$"), "")
    day_of, day_texts = _coded(dates)
    days = _days(day_texts, day_of, notes, order)
    if days is None:
        return None
    if clocks is None:
        second_of, offset, bad_clock = (np.zeros(len(day_of), dtype) for dtype in (np.int64, np.int32, bool))
        offset[:] = NO_OFFSET
        has_24 = False
    else:
        clock_of, clock_texts = _coded(pc.utf8_trim_whitespace(clocks))
        read = [_time_of_day(text) for text in clock_texts]
        second_of = np.array([NO_OFFSET if one is None else one.second for one in read], np.int64)[clock_of]
        offset = np.array(_offsets_of(read, days, names_to_offsets), np.int32)[clock_of]
        bad_clock = second_of == NO_OFFSET
        has_24 = bool((second_of == DAY_S).any())
    bad = bad_clock | (days[day_of] == NO_OFFSET)
    return Moments(wall_s=days[day_of] * DAY_S + second_of, offset_s=offset, bad=bad, has_24=has_24)


def shown_wall(wall_s: int) -> str:
    """
    Return a moment of a clock as text.

    Parameters
    ----------
    wall_s : int
        Seconds since 1970 as the clock shows them.

    Returns
    -------
    str
        Year-month-day hour:minute.

    Examples
    --------
    >>> shown_wall(1735690500)
    '2025-01-01 00:15'
    """
    return f"{dt.datetime.fromtimestamp(int(wall_s), dt.UTC):%Y-%m-%d %H:%M}"


def _coded(texts: "pa.ChunkedArray") -> tuple[NDArray[np.intp], list[str]]:
    """Return the position of each text in the list of different ones."""
    coded = texts.combine_chunks().dictionary_encode()
    return coded.indices.to_numpy(zero_copy_only=False).astype(np.intp), coded.dictionary.to_pylist()


def _parted(stamps: "pa.ChunkedArray", first: str) -> tuple["pa.ChunkedArray", "pa.ChunkedArray"]:
    """Part dates from times of day."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if re.fullmatch(r"\d{12}(\d{2})?", first):
        return pc.utf8_slice_codeunits(stamps, 0, 8), pc.utf8_slice_codeunits(stamps, 8, 14)
    clock_at = re.search(r"[T ,]+\d{1,2}:\d{2}|T\d{4}", first)
    width = clock_at.start() if clock_at else len(first)
    same_length = pc.min_max(pc.utf8_length(stamps)).as_py()
    if clock_at and same_length["min"] == same_length["max"] and first.count(" ") + first.count("T") == 1:
        marks = pc.unique(pc.utf8_slice_codeunits(stamps, width, width + 1)).to_pylist()
        if marks in (["T"], [" "]):
            return pc.utf8_slice_codeunits(stamps, 0, width), pc.utf8_slice_codeunits(stamps, width + 1)
    mark = r"(?P<date>.*?)(?:(?:[T ,]+)(?P<clock>\d{1,2}:\d{2}.*|\d{4}(?:\d{2})?Z?))?$"
    parts = pc.extract_regex(stamps, mark)
    date, clock = (pc.struct_field(parts, name) for name in ("date", "clock"))
    # A sheet that drops midnight writes the date alone.
    return date, pc.if_else(pc.equal(clock, ""), pa.scalar("00:00"), clock)


def _epoch(texts: "pa.ChunkedArray", notes: Notebook) -> Moments:
    import pyarrow as pa
    import pyarrow.compute as pc

    ok = pc.match_substring_regex(texts, r"^1\d{9}(\d{3})?$")
    seconds = pc.cast(pc.if_else(ok, texts, pa.scalar("0")), pa.int64()).to_numpy()
    is_milli = seconds > 10**11
    seconds = np.where(is_milli, seconds // 1000, seconds)
    notes.found("stamps", "seconds since 1970, UTC", "whole numbers of ten or thirteen digits")
    bad = ~np.asarray(ok.to_numpy(), dtype=bool)
    return Moments(wall_s=seconds, offset_s=np.zeros(len(seconds), np.int32), bad=bad, has_24=False)


class _Time(NamedTuple):
    """Seconds since midnight, and the UTC offset or the name of the clock behind it."""

    second: int
    offset_s: int = NO_OFFSET
    name: str = ""


def _offsets_of(times: list[_Time | None], days: NDArray[np.int64], names_to_offsets: NamesToOffsets) -> list[int]:
    names = {one.name for one in times if one is not None and one.name}
    good = days[days != NO_OFFSET]
    by_name: Mapping[str, int] = {}
    if names and good.size:
        by_name = names_to_offsets(names, (int(good.min()) * DAY_S, (int(good.max()) + 1) * DAY_S))
    return [NO_OFFSET if one is None else by_name.get(one.name, one.offset_s) for one in times]


def _time_of_day(text: str) -> _Time | None:
    """Return a time of day, or None for what is none."""
    found = _CLOCK.match(text)
    if not found:
        return None
    hour, minute, second = (int(part or 0) for part in found.groups()[:3])
    if half := (found[5] or "").lower():
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    if found[4] and float(f"0.{found[4]}") >= 0.5:
        second += 1  # sheets write a quarter past as 00:14:59.999
    of_day = hour * 3600 + minute * 60 + second
    if hour > 24 or minute > 59 or second > 60 or of_day > DAY_S:
        return None
    zone = found[6]
    if not zone:
        return _Time(of_day)
    if zone == "Z":
        return _Time(of_day, 0)
    if zone.isalpha():
        return _Time(of_day, name=zone)
    digits = zone[1:].replace(":", "").ljust(4, "0")
    offset = int(digits[:2]) * 3600 + int(digits[2:]) * 60
    return _Time(of_day, -offset if zone[0] == "-" else offset)


def _days(
    texts: list[str], day_of: NDArray[np.intp], notes: Notebook, order: DateOrder | None
) -> NDArray[np.int64] | None:
    """Return days since 1970 for each text, in the only order that fits."""
    named = [_named_day(text) for text in texts]
    fixed = np.array([NO_OFFSET if day is None else day for day in named], np.int64)
    parts = [_parts(text) if day is None else None for text, day in zip(texts, named, strict=True)]
    orders = [order] if order else list(ORDER_WORDS)
    readings = {}
    for one in orders:
        days = fixed.copy()
        for at, part in enumerate(parts):
            if part is not None:
                days[at] = _day(part, one)
        readings[one] = days
    if order:
        notes.found("order of the date", ORDER_WORDS[order], "as said", "--date-order")
        return readings[order]
    unread = {one: int((days == NO_OFFSET).sum()) for one, days in readings.items()}
    # A few cells may be no dates in any order: lines of totals.
    fitting = [one for one in orders if unread[one] == min(unread.values())]
    distinct = {readings[one].tobytes(): one for one in reversed(fitting)}
    if len(distinct) == 1:
        one = fitting[0]
        why = "the only order in which all are dates" if len(fitting) == 1 else "the year comes first, or month by name"
        notes.found("order of the date", ORDER_WORDS[one], why, "--date-order")
        return readings[one]
    even = [one for one in distinct.values() if _follow(readings[one], day_of)]
    if len(even) == 1:
        notes.found("order of the date", ORDER_WORDS[even[0]], "only so does each day follow the last", "--date-order")
        return readings[even[0]]
    cell = texts[int(day_of[0])]
    notes.ask(
        "order of the date",
        f"'{cell}' and all others are dates in more than one way",
        *(
            (f"--date-order {one}", f"{ORDER_WORDS[one]}: {_as_date(readings[one], day_of[0])}")
            for one in distinct.values()
        ),
    )
    return None


def _as_date(days: NDArray[np.int64], position: np.intp) -> str:
    day = days[position]
    return "" if day == NO_OFFSET else shown_wall(int(day) * DAY_S)[:10]


def _follow(days: NDArray[np.int64], day_of: NDArray[np.intp]) -> bool:
    """Whether each day is followed by itself or the next one, forwards or backwards, but for a few jumps."""
    changes = np.flatnonzero(np.diff(day_of)) + 1
    seen = days[day_of[np.concatenate(([0], changes))]]
    seen = seen[seen != NO_OFFSET]
    if len(seen) < 2:
        return False
    gaps = np.abs(np.diff(seen))
    return bool((gaps == 1).mean() > 0.8)


def _parts(text: str) -> tuple[int, int, int, tuple[int, int]] | None:
    found = _PARTS.match(text) or (_COMPACT.match(text) if len(text) == 8 else None)
    if found is None:
        return None
    return int(found[1]), int(found[2]), int(found[3]), (len(found[1]), len(found[3]))


def _day(part: tuple[int, int, int, tuple[int, int]], order: DateOrder) -> int:
    first, second, third, (first_digits, third_digits) = part
    if (first_digits > 2 and order != "ymd") or (third_digits > 2 and order == "ymd"):
        return NO_OFFSET
    year, month, day = {
        "ymd": (first, second, third),
        "dmy": (third, second, first),
        "mdy": (third, first, second),
    }[order]
    return _day_number(year, month, day)


def _named_day(text: str) -> int | None:
    found = _NAMED.match(text)
    if found is None:
        return None
    month = MONTHS.get((found[2] or found[3]).lower())
    return None if month is None else _day_number(int(found[5]), month, int(found[1] or found[4]))


def _day_number(year: int, month: int, day: int) -> int:
    try:
        return dt.date(year + CENTURY if year < 100 else year, month, day).toordinal() - _EPOCH_DAY
    except ValueError:
        return NO_OFFSET


_EPOCH_DAY = dt.date(1970, 1, 1).toordinal()


def refuse_bad(read: Moments, place: Callable[[int], str], cells: Callable[[int], str]) -> None:
    """
    Raise if a row in the middle of the data has no moment.

    Parameters
    ----------
    read : Moments
        The moments.
    place : callable
        Gives file, line and column of a row.
    cells : callable
        Gives the text of a row's stamp.

    Raises
    ------
    SeriesError
        With the first such row.
    """
    rows = np.flatnonzero(read.bad)
    if rows.size:
        raise SeriesError(
            f"{place(int(rows[0]))}: '{cells(int(rows[0]))}' is not a time stamp"
            f" ({rows.size:,} such row{'' if rows.size == 1 else 's'})\n"
            "    correct or delete it; where day and month are the other way round, give --date-order"
        )
