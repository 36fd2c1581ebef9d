"""From rows as they came to a whole axis: what is wrong, what was repaired, and what was refused."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario.series_file import Repairs
from crestfall.series.meter._cleaned import AWAITED, Cleaned, Defect, FloatArray, Mark, note
from crestfall.series.meter._fill import DAY_S, fill, spread
from crestfall.series.meter._levels import level_changes
from crestfall.series.meter._rows import Rows
from crestfall.series.meter._suspects import constant_runs, dropouts, gap_runs, spikes


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
    _units(series, policy)
    _negative(series, policy)
    _missing_export(series, policy)
    _suspects(series, policy)
    spread(rows, series, policy)
    fill(series, policy)
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
        note(series, "substituted by the operator", steps, done="kept")
    if doubled.size:
        steps = np.unique(position[doubled])
        is_refused = policy.doubles == "refuse"
        series.marks[steps] = Mark.SUSPECT if is_refused else Mark.REPAIRED
        same = int((rows.load_kw[doubled] == rows.load_kw[doubled - 1]).sum())
        lost = float(np.nansum(rows.load_kw) - np.nansum(load_kw)) * series.step_h
        note(
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
            note(
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
        note(series, "repeated hour that stands once", second, done=words, added_kwh=added_kwh)


def _units(series: Cleaned, policy: Repairs) -> None:
    """Bring all parts of a file to one unit, if it is said which part has the right one."""
    changes = [change for change in level_changes(series.load_kw, series.step_h) if change.is_unit]
    if not changes:
        return
    edges = [0, *(change.step for change in changes), len(series.load_kw)]
    of_first = np.repeat(np.cumprod([1.0, *(change.ratio for change in changes)]), np.diff(edges))
    too_large = of_first / (of_first[-1] if policy.units == "last" else 1.0)
    steps = np.flatnonzero(np.isfinite(series.load_kw) & ~np.isclose(too_large, 1.0))
    ratios = sorted({max(change.ratio, 1 / change.ratio) for change in changes})
    kind = f"another unit, by a factor of {' and '.join(f'{one:,.0f}' for one in ratios)}?"
    if policy.units == "keep":
        note(series, kind, steps, done="kept", option="units=first")
        return
    before_kwh = float(series.load_kw[steps].sum()) * series.step_h
    for values in (series.load_kw, series.export_kw):
        if values is not None:
            values[steps] /= too_large[steps]
    series.marks[steps] = Mark.REPAIRED
    added_kwh = float(series.load_kw[steps].sum()) * series.step_h - before_kwh
    note(series, kind, steps, done=f"in the unit of the {policy.units} part", added_kwh=added_kwh)


def _negative(series: Cleaned, policy: Repairs) -> None:
    below = np.flatnonzero(series.load_kw < 0)
    if not below.size:
        return
    energy_kwh = float(series.load_kw[below].sum()) * series.step_h
    if policy.negative == "refuse":
        series.marks[below] = Mark.SUSPECT
        kind = "negative load: PV behind the meter?"
        note(series, kind, below, done="refused", option="negative=export", is_open=True)
        return
    if policy.negative == "export":
        export_kw = np.zeros_like(series.load_kw) if series.export_kw is None else series.export_kw
        export_kw[below] -= series.load_kw[below]
        series.export_kw = export_kw
    else:
        series.marks[below] = Mark.REPAIRED
    series.load_kw[below] = 0.0
    words = "counted as export" if policy.negative == "export" else "set to zero"
    note(series, "negative load", below, done=words, added_kwh=-energy_kwh)


def _missing_export(series: Cleaned, policy: Repairs) -> None:
    if series.export_kw is None:
        return
    lacking = np.flatnonzero(np.isnan(series.export_kw) & np.isfinite(series.load_kw))
    if not lacking.size:
        return
    if policy.missing_export == "refuse":
        option = "missing_export=zero"
        note(series, "load without export", lacking, done="refused", option=option, is_open=True)
        return
    series.export_kw[lacking] = 0.0
    note(series, "load without export", lacking, done="export taken as zero")


def _suspects(series: Cleaned, policy: Repairs) -> None:
    """Mark what no load does; take it as missing where that is allowed."""
    for kind, key, steps in (
        ("zeros in a load that never rests", "zeros", dropouts(series.load_kw)),
        ("one value for many hours", "stuck", constant_runs(series.load_kw, series.step_h)),
        ("spikes", "spikes", spikes(series.load_kw)),
    ):
        steps = steps[series.marks[steps] == Mark.METERED]
        if not steps.size:
            continue
        if getattr(policy, key) == "keep":
            series.marks[steps] = Mark.SUSPECT
            note(series, kind, steps, done="kept", option=f"{key}=gap")
            continue
        lost = float(np.nansum(series.load_kw[steps])) * series.step_h
        series.load_kw[steps] = np.nan
        series.marks[steps] = Mark.MISSING
        note(series, kind, steps, done="taken as missing", added_kwh=-lost)


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
