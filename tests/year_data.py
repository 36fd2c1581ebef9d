"""A year of interval data as CSV text, in plain Python and zoneinfo, apart from the reader under test."""

import datetime as dt
from collections.abc import Iterable, Sequence
from itertools import repeat
from zoneinfo import ZoneInfo


def local_steps(
    zone: str, *, step_min: int = 60, first: str = "2025-01-01", last: str | None = None
) -> list[dt.datetime]:
    """Return the start of each step from local midnight to local midnight a year later, stepping in UTC."""
    tz = ZoneInfo(zone)
    begin = dt.datetime.fromisoformat(first).replace(tzinfo=tz)
    end = dt.datetime.fromisoformat(last).replace(tzinfo=tz) if last else begin.replace(year=begin.year + 1)
    at, stop = begin.astimezone(dt.UTC), end.astimezone(dt.UTC)
    steps = []
    while at < stop:
        steps.append(at.astimezone(tz))
        at += dt.timedelta(minutes=step_min)
    return steps


def naive(steps: Iterable[dt.datetime]) -> list[str]:
    """Return stamps of the wall clock."""
    return [step.strftime("%Y-%m-%d %H:%M") for step in steps]


def with_offset(steps: Iterable[dt.datetime]) -> list[str]:
    """Return stamps with their UTC offset."""
    return [step.isoformat() for step in steps]


def csv(stamps: Sequence[str], values: Iterable[object] | None = None, *, head: str = "time,load_kw") -> str:
    """Return a CSV text; without values every step has 1."""
    rows = (f"{stamp},{value}\n" for stamp, value in zip(stamps, values or repeat(1), strict=False))
    return head + "\n" + "".join(rows)


def replaced(entries: Sequence[object], position: int, entry: object) -> list[object]:
    """Return a copy of a list with one entry replaced."""
    return [*entries[:position], entry, *entries[position + 1 :]]
