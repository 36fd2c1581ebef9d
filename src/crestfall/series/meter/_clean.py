"""From rows as they came to a whole axis: what is wrong, what was repaired, and what was refused."""

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario.series_file import Repairs
from crestfall.series.meter._clock import Clock
from crestfall.series.meter._rows import Rows
from crestfall.series.meter._suspects import constant_runs, dropouts, gap_runs, spikes

FloatArray = NDArray[np.float64]
Marks = NDArray[np.int8]
WEEK_S, DAY_S = 7 * 86_400, 86_400
MONTH_GAP_DAYS = 14
AWAITED = np.int8(99)  # while cleaning: a missing step that has been refused already
NEAR_WEEKS, WIDE_WEEKS = 2, 8


class Mark(IntEnum):
    """What is known about a step."""

    METERED = 0
    SUBSTITUTED = 1
    REPAIRED = 2
    SUSPECT = 3
    MISSING = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """One kind of damage, and what was done about it.

    Parameters
    ----------
    kind : str
        What is wrong.
    steps : int
        How many steps.
    places : int
        How many times.
    first : str
        Where it begins first, on the clock of the site.
    energy_kwh : float
        Energy of the steps after the repair, or as metered where nothing was done [kWh].
    added_kwh : float
        Energy after less energy before [kWh].
    done : str
        What was done.
    option : str
        What may be said to repair it, as KEY=VALUE; empty where it is done or nothing can be.
    is_open : bool
        Whether it must be repaired before the series can be used.
    """

    kind: str
    steps: int
    places: int
    first: str
    energy_kwh: float
    added_kwh: float
    done: str
    option: str = ""
    is_open: bool = False


@dataclass(slots=True, kw_only=True)
class Cleaned:
    """A series on a whole axis.

    Parameters
    ----------
    source : str
        File or files.
    first_s : int
        Start of the first step, seconds since 1970.
    step_s : int
        Length of a step [s].
    clock : Clock
        The clock of the site.
    load_kw : ndarray of shape (n_steps,)
        Mean power from the grid; NaN where it is missing still [kW].
    export_kw : ndarray of shape (n_steps,) or None
        Mean power to the grid [kW].
    marks : ndarray of int8, shape (n_steps,)
        A `Mark` for each step.
    defects : list of Defect
        What was wrong.
    """

    source: str
    first_s: int
    step_s: int
    clock: Clock
    load_kw: FloatArray
    export_kw: FloatArray | None
    marks: Marks
    defects: list[Defect] = field(default_factory=list)

    @property
    def step_h(self) -> float:
        """Length of a step [h]."""
        return self.step_s / 3600

    @property
    def utc_s(self) -> NDArray[np.int64]:
        """Start of each step, seconds since 1970."""
        return self.first_s + self.step_s * np.arange(len(self.load_kw), dtype=np.int64)

    @property
    def local_s(self) -> NDArray[np.int64]:
        """What the clock of the site shows at the start of each step."""
        return self.clock.wall_s(self.utc_s)

    @property
    def start(self) -> pd.DatetimeIndex:
        """Start of each step in the zone of the site."""
        return pd.DatetimeIndex(self.utc_s.astype("datetime64[s]"), tz="UTC").tz_convert(self.clock.name)

    @property
    def open_defects(self) -> list[Defect]:
        """What must be repaired before the series can be used."""
        return [defect for defect in self.defects if defect.is_open]

    def shown(self, step: int) -> str:
        """Return the start of a step as the clock of the site shows it."""
        at = np.array([self.first_s + self.step_s * step], np.int64)
        return f"{np.datetime64(int(self.clock.wall_s(at)[0]), 's')}".replace("T", " ")[:16]


def clean(rows: Rows, policy: Repairs) -> Cleaned:
    """
    Bring rows onto a whole axis and repair what the policy allows.

    Parameters
    ----------
    rows : Rows
        Readings as they came.
    policy : Repairs
        What may be done.

    Returns
    -------
    Cleaned
        The series; what was refused is among its defects.

    Raises
    ------
    SeriesError
        If rows stand off the steps, so that there is no axis.
    """
    defects: list[Defect] = []
    rows = _without_skipped(rows, policy, defects)
    rows = _in_order(rows, policy, defects)
    series = _on_axis(rows, policy, defects)
    _repeat_hours(rows, series, policy)
    _negative(series, policy)
    _missing_export(series, policy)
    _suspects(series, policy)
    _spread(rows, series, policy)
    _fill(series, policy)
    return series


def raise_open(series: Cleaned) -> None:
    """
    Raise if anything is wrong that was not repaired.

    Parameters
    ----------
    series : Cleaned
        A series.

    Raises
    ------
    SeriesError
        With every open defect and the key that repairs it.
    """
    if series.open_defects:
        lines = [f"{series.source}: {len(series.open_defects)} kinds of damage are not repaired"]
        for one in series.open_defects:
            remedy = f" ({one.option.replace('=', ': ')})" if one.option else ""
            lines.append(f"    {one.kind}: {one.steps:,} steps, the first at {one.first}{remedy}")
        raise SeriesError("\n".join(lines))


def _without_skipped(rows: Rows, policy: Repairs, defects: list[Defect]) -> Rows:
    """Drop what stands in an hour that the clock skips, if it is allowed."""
    if rows.skipped is None:
        return rows
    dropped = np.flatnonzero(rows.skipped)
    energy_kwh = float(np.nansum(rows.load_kw[dropped])) * rows.step_h
    is_refused = policy.changed_hour == "refuse" and energy_kwh != 0
    defects.append(
        Defect(
            kind="skipped hour filled",
            steps=len(dropped),
            places=len(gap_runs(dropped)),
            first=rows.shown(int(rows.utc_s[dropped[0]])),
            energy_kwh=energy_kwh,
            added_kwh=-energy_kwh,
            done="refused" if is_refused else "dropped",
            option="changed_hour=copy" if is_refused else "",
            is_open=is_refused,
        )
    )
    return _taken(rows, np.flatnonzero(~rows.skipped))


def _in_order(rows: Rows, policy: Repairs, defects: list[Defect]) -> Rows:
    back = np.flatnonzero(np.diff(rows.utc_s) < 0) + 1
    if not back.size:
        return rows
    is_refused = policy.disorder == "refuse"
    defects.append(
        Defect(
            kind="rows out of order",
            steps=len(back),
            places=len(back),
            first=f"{rows.shown(int(rows.utc_s[back[0]]))} (line {rows.line[back[0]]:,})",
            energy_kwh=float(np.nansum(rows.load_kw[back])) * rows.step_h,
            added_kwh=0.0,
            done="refused" if is_refused else "sorted by time",
            option="disorder=sort" if is_refused else "",
            is_open=is_refused,
        )
    )
    return _taken(rows, np.argsort(rows.utc_s, kind="stable"))


def _on_axis(rows: Rows, policy: Repairs, defects: list[Defect]) -> Cleaned:
    step_s, first_s = rows.step_s, int(rows.utc_s[0])
    position, off = np.divmod(rows.utc_s - first_s, step_s)
    if off.any():
        at = int(np.flatnonzero(off)[0])
        raise SeriesError(
            f"{rows.source} line {rows.line[at]:,}: {rows.shown(int(rows.utc_s[at]))} stands off the steps of"
            f" {step_s // 60} minutes ({int((off != 0).sum()):,} such rows)\n    bring the data to one step"
        )
    n_steps = int(position[-1]) + 1
    most = 20 * 366 * DAY_S // step_s
    if n_steps > most:
        raise SeriesError(
            f"{rows.source}: the rows run from {rows.shown(first_s)} to {rows.shown(int(rows.utc_s[-1]))}\n"
            "    more than twenty years are not read; look for a wrong date"
        )
    doubled = np.flatnonzero(np.diff(position) == 0) + 1
    load_kw = _axis_values(rows.load_kw, position, n_steps, policy)
    export_kw = None if rows.export_kw is None else _axis_values(rows.export_kw, position, n_steps, policy)
    series = Cleaned(
        source=rows.source,
        first_s=first_s,
        step_s=step_s,
        clock=rows.clock,
        load_kw=load_kw,
        export_kw=export_kw,
        marks=np.where(np.isnan(load_kw), Mark.MISSING, Mark.METERED).astype(np.int8),
        defects=defects,
    )
    if rows.substituted is not None:
        steps = np.unique(position[rows.substituted])
        series.marks[steps] = Mark.SUBSTITUTED
        _note(series, "substituted by the operator", steps, done="kept")
    if doubled.size:
        steps = np.unique(position[doubled])
        is_refused = policy.doubles == "refuse"
        series.marks[steps] = Mark.SUSPECT if is_refused else Mark.REPAIRED
        same = int((rows.load_kw[doubled] == rows.load_kw[doubled - 1]).sum())
        lost = float(np.nansum(rows.load_kw) - np.nansum(load_kw)) * series.step_h
        _note(
            series,
            f"steps that stand twice ({same:,} with the same value)",
            steps,
            done="refused" if is_refused else f"kept the {policy.doubles}",
            option="doubles=first" if is_refused else "",
            is_open=is_refused,
            added_kwh=-lost,
        )
    return series


def _axis_values(values: FloatArray, position: NDArray[np.int64], n_steps: int, policy: Repairs) -> FloatArray:
    on_axis = np.full(n_steps, np.nan)
    if policy.doubles == "mean":
        good = np.isfinite(values)
        counts = np.bincount(position[good], minlength=n_steps)
        sums = np.bincount(position[good], weights=values[good], minlength=n_steps)
        np.divide(sums, counts, out=on_axis, where=counts > 0)
        return on_axis
    order = slice(None) if policy.doubles == "last" else slice(None, None, -1)
    on_axis[position[order]] = values[order]  # of several, the one written last stays
    return on_axis


def _repeat_hours(rows: Rows, series: Cleaned, policy: Repairs) -> None:
    """Give a repeated hour that stands once its second pass."""
    for change in rows.once:
        n = (change.before_s - change.after_s) // series.step_s
        second = (change.at_s - series.first_s) // series.step_s + np.arange(n)
        first = second - n
        second = second[second < len(series.load_kw)]
        before_kwh = float(np.nansum(series.load_kw[first])) * series.step_h
        if policy.changed_hour == "refuse":
            _note(
                series,
                "repeated hour that stands once",
                second,
                done="refused",
                option="changed_hour=copy",
                is_open=True,
            )
            series.marks[second] = AWAITED
            continue
        share = 0.5 if policy.changed_hour == "split" else 1.0
        for values in (series.load_kw, series.export_kw):
            if values is not None:
                values[first] *= share
                values[second] = values[first]
        both = np.concatenate((first, second))
        series.marks[second] = Mark.REPAIRED
        words = "its energy split between both" if share < 1 else "copied"
        added_kwh = float(np.nansum(series.load_kw[both])) * series.step_h - before_kwh
        _note(series, "repeated hour that stands once", second, done=words, added_kwh=added_kwh)


def _negative(series: Cleaned, policy: Repairs) -> None:
    below = np.flatnonzero(series.load_kw < 0)
    if not below.size:
        return
    energy_kwh = float(series.load_kw[below].sum()) * series.step_h
    if policy.negative == "refuse":
        series.marks[below] = Mark.SUSPECT
        kind = "negative load: PV behind the meter?"
        _note(series, kind, below, done="refused", option="negative=export", is_open=True)
        return
    if policy.negative == "export":
        export_kw = np.zeros_like(series.load_kw) if series.export_kw is None else series.export_kw
        export_kw[below] -= series.load_kw[below]
        series.export_kw = export_kw
    else:
        series.marks[below] = Mark.REPAIRED
    series.load_kw[below] = 0.0
    words = "counted as export" if policy.negative == "export" else "set to zero"
    _note(series, "negative load", below, done=words, added_kwh=-energy_kwh)


def _missing_export(series: Cleaned, policy: Repairs) -> None:
    if series.export_kw is None:
        return
    lacking = np.flatnonzero(np.isnan(series.export_kw) & np.isfinite(series.load_kw))
    if not lacking.size:
        return
    if policy.missing_export == "refuse":
        option = "missing_export=zero"
        _note(series, "load without export", lacking, done="refused", option=option, is_open=True)
        return
    series.export_kw[lacking] = 0.0
    _note(series, "load without export", lacking, done="export taken as zero")


def _suspects(series: Cleaned, policy: Repairs) -> None:
    """Mark what no load does; take it as missing where that is allowed."""
    for kind, key, steps in (
        ("zeros in a load that never rests", "zeros", dropouts(series.load_kw, series.step_h)),
        ("one value for many hours", "stuck", constant_runs(series.load_kw, series.step_h)),
        ("spikes", "spikes", spikes(series.load_kw)),
    ):
        steps = steps[series.marks[steps] == Mark.METERED]
        if not steps.size:
            continue
        if getattr(policy, key) == "keep":
            series.marks[steps] = Mark.SUSPECT
            _note(series, kind, steps, done="kept", option=f"{key}=gap")
            continue
        lost = float(np.nansum(series.load_kw[steps])) * series.step_h
        series.load_kw[steps] = np.nan
        series.marks[steps] = Mark.MISSING
        _note(series, kind, steps, done="taken as missing", added_kwh=-lost)


def _spread(rows: Rows, series: Cleaned, policy: Repairs) -> None:
    """Fill what a register counted while nobody read it, or while it passed its last digit."""
    if rows.known_kw is None:
        return
    known = np.flatnonzero(np.isfinite(rows.known_kw))
    rolled = np.zeros(len(known), bool) if rows.rolled is None else rows.rolled[known]
    for kind, key, which in (
        ("missing readings of a register", "register_gaps=spread", known[~rolled]),
        ("a register past its last digit", "rollover=add", known[rolled]),
    ):
        if not which.size:
            continue
        steps = (rows.utc_s[which] - series.first_s) // series.step_s
        name, _, value = key.partition("=")
        if getattr(policy, name) != value:
            series.marks[steps] = AWAITED
            _note(series, kind, steps, done="refused", option=key, is_open=True)
            continue
        series.load_kw[steps] = rows.known_kw[which]
        if series.export_kw is not None and rows.known_export_kw is not None:
            series.export_kw[steps] = rows.known_export_kw[which]
        series.marks[steps] = Mark.REPAIRED
        energy_kwh = float(rows.known_kw[which].sum()) * series.step_h
        words = "its energy spread evenly" if name == "register_gaps" else "counted on from nought"
        _note(series, kind, steps, done=words, added_kwh=energy_kwh)


def _fill(series: Cleaned, policy: Repairs) -> None:
    awaited = series.marks == AWAITED  # refused already, for their own reason
    missing = np.flatnonzero(np.isnan(series.load_kw) & ~awaited)
    series.marks[awaited] = Mark.MISSING
    runs = gap_runs(missing)
    if not runs:
        return
    least_month = MONTH_GAP_DAYS * DAY_S // series.step_s
    months = [run for run in runs if len(run) >= least_month]
    short = [run for run in runs if len(run) < least_month and len(run) <= policy.longest_gap_steps]
    long = [run for run in runs if len(run) < least_month and len(run) > policy.longest_gap_steps]
    if short:
        _fill_short(series, policy, short)
    if long:
        is_off = policy.gaps == "refuse"
        longest = max(map(len, long))
        option = f"gaps=neighbour_weeks longest_gap_steps={longest}" if is_off else f"longest_gap_steps={longest}"
        kind = f"gaps of more than {policy.longest_gap_steps} steps"
        _note(series, kind, np.concatenate(long), done="refused", option=option, is_open=True)
    if months:
        steps = np.concatenate(months)
        if policy.missing_month == "refuse":
            kind = f"gaps of {MONTH_GAP_DAYS} days or more"
            _note(series, kind, steps, done="refused", option="missing_month=profile", is_open=True)
        else:
            words = f"the mean week of the {WIDE_WEEKS} weeks around"
            _put(series, f"gaps of {MONTH_GAP_DAYS} days or more", months, weeks=WIDE_WEEKS, words=words)


def _fill_short(series: Cleaned, policy: Repairs, runs: list[NDArray[np.intp]]) -> None:
    kind = f"gaps of up to {policy.longest_gap_steps} steps"
    if policy.gaps == "refuse":
        steps = np.concatenate(runs)
        _note(series, kind, steps, done="refused", option="gaps=interpolate", is_open=True)
        return
    if policy.gaps == "neighbour_weeks":
        words = f"same weekday and hour of up to {NEAR_WEEKS} weeks on both sides"
        _put(series, kind, runs, weeks=NEAR_WEEKS, words=words)
        return
    steps = np.concatenate([run for run in runs if run[0] > 0 and run[-1] < len(series.load_kw) - 1] or runs[:0])
    edge = [run for run in runs if run[0] == 0 or run[-1] == len(series.load_kw) - 1]
    if len(steps):
        steps = steps.astype(np.intp)
        for values in (series.load_kw, series.export_kw):
            if values is not None:
                good = np.flatnonzero(np.isfinite(values))
                values[steps] = np.interp(steps, good, values[good])
        series.marks[steps] = Mark.REPAIRED
        added_kwh = float(series.load_kw[steps].sum()) * series.step_h
        _note(series, kind, steps, done="on a line between the steps beside", added_kwh=added_kwh)
    if edge:
        option = "gaps=neighbour_weeks"
        _note(series, "gaps at an end", np.concatenate(edge), done="refused", option=option, is_open=True)


def _put(series: Cleaned, kind: str, runs: list[NDArray[np.intp]], *, weeks: int, words: str) -> None:
    """Fill gaps with the mean of the same weekday and hour of the weeks beside, as far as they are metered."""
    steps = np.concatenate(runs)
    # As far away as the gap is long: the weeks beside a missing month are four weeks away.
    reach = np.concatenate([np.full(len(run), len(run) * series.step_s // WEEK_S + weeks) for run in runs])
    local_s = series.local_s
    order = np.argsort(local_s, kind="stable")
    filled: dict[str, FloatArray] = {}
    for name, values in (("load", series.load_kw), ("export", series.export_kw)):
        if values is None:
            continue
        sums, counts = np.zeros(len(steps)), np.zeros(len(steps))
        for week in range(1, int(reach.max()) + 1):
            for side in (-1, 1):
                wanted = local_s[steps] + side * week * WEEK_S
                at = order[np.searchsorted(local_s[order], wanted).clip(0, len(order) - 1)]
                usable = (local_s[at] == wanted) & np.isfinite(values[at]) & (week <= reach)
                usable &= series.marks[at] < Mark.SUSPECT
                sums[usable] += values[at[usable]]
                counts[usable] += 1
        filled[name] = np.divide(sums, counts, out=np.full(len(steps), np.nan), where=counts > 0)
    series.load_kw[steps] = filled["load"]
    if series.export_kw is not None:
        series.export_kw[steps] = filled["export"]
    lacking = np.isnan(filled["load"])
    done = steps[~lacking]
    series.marks[done] = Mark.REPAIRED
    if len(done):
        _note(series, kind, done, done=words, added_kwh=float(series.load_kw[done].sum()) * series.step_h)
    if lacking.any():
        _note(series, f"{kind} with no weeks beside", steps[lacking], done="refused", is_open=True)


def _note(
    series: Cleaned,
    kind: str,
    steps: NDArray[np.int64] | NDArray[np.intp],
    *,
    done: str,
    option: str = "",
    is_open: bool = False,
    added_kwh: float = 0.0,
) -> None:
    energy = series.load_kw[steps]
    series.defects.append(
        Defect(
            kind=kind,
            steps=len(steps),
            places=len(gap_runs(np.sort(steps))),
            first=series.shown(int(steps.min())),
            energy_kwh=float(np.nansum(energy)) * series.step_h,
            added_kwh=added_kwh,
            done=done,
            option=option,
            is_open=is_open,
        )
    )


def _taken(rows: Rows, which: NDArray[np.intp]) -> Rows:
    def of(values: Any) -> Any:
        return None if values is None else values[which]

    return Rows(
        source=rows.source,
        utc_s=rows.utc_s[which],
        step_s=rows.step_s,
        load_kw=rows.load_kw[which],
        export_kw=of(rows.export_kw),
        line=rows.line[which],
        clock=rows.clock,
        known_kw=of(rows.known_kw),
        known_export_kw=of(rows.known_export_kw),
        rolled=of(rows.rolled),
        substituted=of(rows.substituted),
        skipped=None,
        once=rows.once,
    )
