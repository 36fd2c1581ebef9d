"""What stands in for steps that are missing: the register's own count, a line, or the weeks beside."""

import numpy as np
from numpy.typing import NDArray

from crestfall.scenario.series_file import Repairs
from crestfall.series.meter._cleaned import AWAITED, Cleaned, FloatArray, Mark, note
from crestfall.series.meter._rows import Rows
from crestfall.series.meter._suspects import gap_runs

WEEK_S, DAY_S = 7 * 86_400, 86_400
MONTH_GAP_DAYS = 14
NEAR_WEEKS, WIDE_WEEKS = 2, 8


def spread(rows: Rows, series: Cleaned, policy: Repairs) -> None:
    """
    Fill what a register counted while nobody read it, or while it passed its last digit.

    Parameters
    ----------
    rows : Rows
        Readings, with the power that is known over such times.
    series : Cleaned
        The series; it changes.
    policy : Repairs
        What may be done.
    """
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
            note(series, kind, steps, done="refused", option=key, is_open=True)
            continue
        series.load_kw[steps] = rows.known_kw[which]
        if series.export_kw is not None and rows.known_export_kw is not None:
            series.export_kw[steps] = rows.known_export_kw[which]
        series.marks[steps] = Mark.REPAIRED
        energy_kwh = float(rows.known_kw[which].sum()) * series.step_h
        words = "its energy spread evenly" if name == "register_gaps" else "counted on from nought"
        note(series, kind, steps, done=words, added_kwh=energy_kwh)


def fill(series: Cleaned, policy: Repairs) -> None:
    """
    Fill gaps as far as it is allowed, and note the others.

    Parameters
    ----------
    series : Cleaned
        The series; it changes.
    policy : Repairs
        What may be done.
    """
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
        note(series, kind, np.concatenate(long), done="refused", option=option, is_open=True)
    if months:
        steps = np.concatenate(months)
        if policy.missing_month == "refuse":
            kind = f"gaps of {MONTH_GAP_DAYS} days or more"
            note(series, kind, steps, done="refused", option="missing_month=profile", is_open=True)
        else:
            words = f"the mean week of the {WIDE_WEEKS} weeks around"
            _put(series, f"gaps of {MONTH_GAP_DAYS} days or more", months, weeks=WIDE_WEEKS, words=words)


def _fill_short(series: Cleaned, policy: Repairs, runs: list[NDArray[np.intp]]) -> None:
    kind = f"gaps of up to {policy.longest_gap_steps} steps"
    if policy.gaps == "refuse":
        steps = np.concatenate(runs)
        note(series, kind, steps, done="refused", option="gaps=interpolate", is_open=True)
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
        note(series, kind, steps, done="on a line between the steps beside", added_kwh=added_kwh)
    if edge:
        option = "gaps=neighbour_weeks"
        note(series, "gaps at an end", np.concatenate(edge), done="refused", option=option, is_open=True)


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
        note(series, kind, done, done=words, added_kwh=float(series.load_kw[done].sum()) * series.step_h)
    if lacking.any():
        note(series, f"{kind} with no weeks beside", steps[lacking], done="refused", is_open=True)
