"""What the rows of a file tell of their stamps, and what has to be asked: step, end of the interval, zone, clock."""

import re
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import Change, Clock, Placed, Seconds, clock_of, offset_words, place, places
from crestfall.series.meter._record import Notebook, Said, Stamp
from crestfall.series.meter._stamps import DAY_S, NO_OFFSET, Moments, shown_wall

STEPS_MIN = (1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60)
MOST_ZONES_SHOWN = 5

_START_WORDS = re.compile(r"(?<![a-z])(start|begin|beginning|from|von|beginn|ab)(?![a-z])", re.IGNORECASE)
_END_WORDS = re.compile(r"(?<![a-z])(end|ending|to|until|bis|ende)(?![a-z])", re.IGNORECASE)


def step_s_of(wall_s: Seconds, name: str) -> int:
    """
    Return the step of the rows.

    Parameters
    ----------
    wall_s : ndarray of int64, shape (n_rows,)
        Wall times or UTC, forwards in time.
    name : str
        The file, for messages.

    Returns
    -------
    int
        The most frequent distance [s].

    Raises
    ------
    SeriesError
        If it is not one that meters record.
    """
    distances = np.diff(wall_s)
    distances = distances[distances > 0]
    if not distances.size:
        raise SeriesError(
            f"{name}: all rows have the same time\n    expected interval data; hours as numbers beside a date need more"
            " than one day"
        )
    values, counts = np.unique(distances, return_counts=True)
    step_s = int(values[np.argmax(counts)])
    if step_s % 60 or step_s // 60 not in STEPS_MIN:
        hint = (
            "a bill needs at least hourly data; monthly figures can be modelled" if step_s > 3600 else "average first"
        )
        raise SeriesError(
            f"{name}: the rows are mostly {step_s / 60:g} minutes apart\n    expected one of"
            f" {', '.join(map(str, STEPS_MIN))} minutes; {hint}"
        )
    return step_s


def stamp_of(local_s: Seconds, step_s: int, *, has_24: bool, header: str, said: Said, notes: Notebook) -> Stamp:
    """
    Return which end of its interval a stamp marks, or note the question.

    Parameters
    ----------
    local_s : ndarray of int64, shape (n_rows,)
        What the clock shows, forwards in time.
    step_s : int
        Step of the rows [s].
    has_24 : bool
        Whether a time of day is 24:00.
    header : str
        Name of the column.
    said : Said
        What the user says.
    notes : Notebook
        Where the finding or the question goes.

    Returns
    -------
    {"start", "end"}
        The end; "start" while the question is open.
    """
    if said.stamp is not None:
        notes.found("a stamp marks", f"the {said.stamp} of its interval", "as said", "--stamp")
        return said.stamp
    reasons: dict[Stamp, list[str]] = {"start": [], "end": []}
    if has_24:
        reasons["end"].append("a time of day is 24:00, which only an end can be")
    by_words: tuple[tuple[Stamp, re.Pattern[str]], ...] = (("start", _START_WORDS), ("end", _END_WORDS))
    for end, words in by_words:
        if words.search(header.replace("_", " ")) and not (_START_WORDS.search(header) and _END_WORDS.search(header)):
            reasons[end].append(f"its column is called '{header}'")
    first, last = int(local_s.min()) % DAY_S, int(local_s.max()) % DAY_S
    ends = f"the data run from {shown_wall(first)[11:]} to {shown_wall(last)[11:]}: whole days only so"
    if first == 0 and last == DAY_S - step_s:
        reasons["start"].append(ends)
    if first == step_s and last == 0:
        reasons["end"].append(ends)
    if bool(reasons["start"]) != bool(reasons["end"]):
        stamp: Stamp = "start" if reasons["start"] else "end"
        notes.found("a stamp marks", f"the {stamp} of its interval", "; ".join(reasons[stamp]), "--stamp")
        return stamp
    why = f"the data run from {shown_wall(int(local_s.min()))} to {shown_wall(int(local_s.max()))}"
    if reasons["start"]:
        why = f"{reasons['start'][0]}, but {reasons['end'][0]}"
    minutes = step_s // 60
    notes.ask(
        "a stamp marks",
        f"the start or the end of its interval? {why}",
        ("--stamp start", f"the first row is the {minutes} minutes from {shown_wall(int(local_s[0]))}"),
        ("--stamp end", f"the first row is the {minutes} minutes up to {shown_wall(int(local_s[0]))}"),
    )
    return "start"


def starts_in_utc(
    read: Moments, step_s: int, stamp: Stamp | None, said: Said, notes: Notebook
) -> tuple[Placed, Clock] | None:
    """
    Return the start of each row's interval in UTC.

    Parameters
    ----------
    read : Moments
        Moments on the clock of the file, forwards in time.
    step_s : int
        Step of the rows [s].
    stamp : {"start", "end"} or None
        Which end of its interval a stamp marks; None for readings of a register, which mark a moment.
    said : Said
        What the user says.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Placed and Clock, or None
        The starts with the clock of the site; None where the zone is open.

    Raises
    ------
    SeriesError
        If zones are mixed.
    """
    back_s = step_s if stamp == "end" else 0
    span = int(read.wall_s.min()), int(read.wall_s.max())
    if (read.offset_s != NO_OFFSET).any():
        utc_s = read.wall_s - _offsets(read, notes)
        if said.zone is None:
            _ask_zone(notes, _zones_with_offsets(utc_s, read.offset_s))
            return None
        placed = Placed(
            utc_s=utc_s - back_s, skipped=np.zeros(len(utc_s), bool), once=(), twice=(), absent=(), filled=()
        )
        return placed, clock_of(said.zone, *span)
    if said.zone is None:
        _ask_zone(notes, _zones_that_fit(read.wall_s, span, step_s))
        return None
    site = clock_of(said.zone, *span)
    if said.clock is not None:
        clock = clock_of(said.clock, *span)
        notes.found("clock of the stamps", said.clock, "as said", "--clock")
        return _placed(read.wall_s, clock, step_s, back_s), site
    placed = _placed(read.wall_s, site, step_s, back_s)
    if placed.against and not placed.in_favour:
        _ask_clock(notes, placed, site)
        return placed, site
    days = [_day(change) for change in (*placed.absent, *placed.twice)]
    if not days and _changes_at_all(said.zone, span):
        _ask_untold_clock(notes, site, span)
        return placed, site
    why = (
        f"the clock changes as it does there ({', '.join(sorted(days)[:4])})" if days else "a clock that never changes"
    )
    notes.found("clock of the stamps", said.zone, why, "--clock")
    return placed, site


def check_offsets(read: Moments, name: str) -> None:
    """
    Raise if UTC offsets are mixed.

    Parameters
    ----------
    read : Moments
        Moments on the clock of the file, forwards in time.
    name : str
        The file.

    Raises
    ------
    SeriesError
        If some stamps have an offset and some not, or it changes more often than a clock does.
    """
    offset_s = read.offset_s.astype(np.int64)
    bare = read.offset_s == NO_OFFSET
    if bare.any() and not bare.all():
        row = int(np.flatnonzero(bare != bare[0])[0])
        raise SeriesError(
            f"{name}: the stamp {shown_wall(int(read.wall_s[row]))} in row {row + 1:,} of the data"
            f" has {'no' if bare[row] else 'a'} UTC offset, the first one has {'one' if bare[row] else 'none'}\n"
            "    write all of them the same way"
        )
    if bare.any():
        return
    changes = int((np.diff(offset_s) != 0).sum())
    years = (int(read.wall_s.max()) - int(read.wall_s.min())) / (365 * DAY_S)
    if changes > 2 * years + 2:
        row = int(np.flatnonzero(np.diff(offset_s))[0]) + 1
        raise SeriesError(
            f"{name}: zones are mixed: the UTC offset changes {changes:,} times, first at"
            f" {shown_wall(int(read.wall_s[row]))}, row {row + 1:,} of the data\n    bring all stamps to one clock"
        )


def _placed(wall_s: Seconds, clock: Clock, step_s: int, back_s: int) -> Placed:
    """Place starts; an end may be written as the start of the next interval, or as start and step on the wall clock."""
    as_moments = place(wall_s, clock, step_s=step_s)
    if not back_s:
        return as_moments
    as_moments = replace(as_moments, utc_s=as_moments.utc_s - back_s)
    by_wall = place(wall_s - back_s, clock, step_s=step_s)
    # Where a repeated hour stands once the file knows wall times only.
    fits = [(-one.against, _evenness(one, step_s), tie) for one, tie in ((as_moments, 0), (by_wall, len(by_wall.once)))]
    return by_wall if fits[1] > fits[0] else as_moments


def _evenness(placed: Placed, step_s: int) -> int:
    return int((np.diff(placed.utc_s[~placed.skipped]) == step_s).sum())


def _offsets(read: Moments, notes: Notebook) -> Seconds:
    offset_s = read.offset_s.astype(np.int64)
    shown = ", ".join(offset_words(int(one)) for one in np.unique(offset_s))
    notes.found("clock of the stamps", shown, "each stamp has its UTC offset")
    return offset_s


def _ask_zone(notes: Notebook, fitting: list[str]) -> None:
    more = len(fitting) - MOST_ZONES_SHOWN
    why = "which zone is the site in? Its tariff has local times"
    if fitting:
        why += f"; the clock changes fit {len(fitting)} zones" + (f", {more} beside these" if more > 0 else "")
    shown = fitting[:MOST_ZONES_SHOWN] or ["Europe/Lisbon"]
    notes.ask("zone", why, *((f"--zone {name}", "" if fitting else "for example") for name in shown))


def _ask_clock(notes: Notebook, placed: Placed, site: Clock) -> None:
    standard = offset_words(min(site.first_offset_s, *(change.after_s for change in site.changes)))
    days = " and ".join(_day(change) for change in (*placed.filled, *placed.once)[:2])
    notes.ask(
        "clock of the stamps",
        f"the clock of {site.name} changes on {days}, the stamps do not",
        (f"--clock {standard}", "the meter keeps standard time all year"),
        ("--clock UTC", "the meter keeps UTC"),
        (f"--clock {site.name}", "it keeps local time; the hour of the change was filled up or left out"),
    )


def _ask_untold_clock(notes: Notebook, site: Clock, span: tuple[int, int]) -> None:
    """Ask for the clock where the data hold no change that would tell."""
    wide = clock_of(site.name, span[0] - 183 * DAY_S, span[1] + 183 * DAY_S)
    standard = offset_words(min(wide.first_offset_s, *(change.after_s for change in wide.changes)))
    notes.ask(
        "clock of the stamps",
        f"the data hold no change of the clock of {site.name} that would tell which one the meter keeps",
        (f"--clock {site.name}", "local time, with summer time"),
        (f"--clock {standard}", "standard time all year"),
        ("--clock UTC", "UTC"),
    )


def _changes_at_all(zone: str, span: tuple[int, int]) -> bool:
    return bool(clock_of(zone, span[0] - 183 * DAY_S, span[1] + 183 * DAY_S).changes)


def _zones_that_fit(wall_s: Seconds, span: tuple[int, int], step_s: int) -> list[str]:
    """Return zones whose clock changes the rows follow; none where the rows show no change."""
    seen: dict[tuple[Change, ...], bool] = {}
    fitting = []
    near = wall_s
    if len(near) > 200_000:  # the hours around midnight to six are where clocks change
        near = near[near % DAY_S < 6 * 3600]
    for name in places():
        clock = clock_of(name, *span)
        if not clock.changes:
            continue
        if clock.changes not in seen:
            placed = place(near, clock, step_s=step_s)
            seen[clock.changes] = placed.against == 0 and placed.in_favour > 0
        if seen[clock.changes]:
            fitting.append(name)
    return fitting


def _zones_with_offsets(utc_s: Seconds, offset_s: NDArray[np.int32]) -> list[str]:
    few = np.linspace(0, len(utc_s) - 1, min(len(utc_s), 50)).astype(int)
    span = int(utc_s.min()), int(utc_s.max())
    if not offset_s.any():
        return []  # UTC says nothing of the place
    return [name for name in places() if (clock_of(name, *span).offset_at_s(utc_s[few]) == offset_s[few]).all()]


def _day(change: Change) -> str:
    return shown_wall(change.at_s + change.before_s)[:10]
