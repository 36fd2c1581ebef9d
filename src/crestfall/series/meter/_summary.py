"""What a clean series amounts to, and how good it is."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from crestfall.series.meter._cleaned import Cleaned, Mark
from crestfall.series.meter._levels import level_changes
from crestfall.series.meter._suspects import is_one_day_repeated

NEAR_FRAC = 0.1  # a bill of about the same time
BASE_FRAC = 0.05  # the load that is exceeded 95 % of the time; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A load in figures.

    Parameters
    ----------
    first, end : Timestamp
        Start of the first step and end of the last.
    step_min : float
        Length of a step [min].
    n_steps : int
        Number of steps.
    energy_kwh, export_kwh : float
        Energy from and to the grid [kWh].
    peak_kw : float
        Highest step [kW].
    peak_at : Timestamp
        When.
    load_factor_frac : float
        Mean over peak.
    base_kw : float
        Load that is exceeded 95 % of the time [kW].
    metered_frac : float
        Share of the steps that are as metered.
    """

    first: pd.Timestamp
    end: pd.Timestamp
    step_min: float
    n_steps: int
    energy_kwh: float
    export_kwh: float
    peak_kw: float
    peak_at: pd.Timestamp
    load_factor_frac: float
    base_kw: float
    metered_frac: float


def summary_of(series: Cleaned) -> Summary:
    """
    Return the figures of a series; missing steps count for nothing.

    Parameters
    ----------
    series : Cleaned
        A series.

    Returns
    -------
    Summary
        Its figures.
    """
    load_kw, zone = series.load_kw, series.clock.name

    def at(step: int) -> pd.Timestamp:
        return pd.Timestamp(series.first_s + step * series.step_s, unit="s", tz="UTC").tz_convert(zone)

    peak = int(np.nanargmax(load_kw))
    peak_kw = float(load_kw[peak])
    return Summary(
        first=at(0),
        end=at(len(load_kw)),
        step_min=series.step_s / 60,
        n_steps=len(load_kw),
        energy_kwh=float(np.nansum(load_kw)) * series.step_h,
        export_kwh=0.0 if series.export_kw is None else float(np.nansum(series.export_kw)) * series.step_h,
        peak_kw=peak_kw,
        peak_at=at(peak),
        load_factor_frac=float(np.nanmean(load_kw)) / peak_kw if peak_kw > 0 else 0.0,
        base_kw=float(np.nanquantile(load_kw, BASE_FRAC)),
        metered_frac=float((series.marks == Mark.METERED).mean()),
    )


def notes_on(series: Cleaned) -> list[str]:
    """
    Return what a reader should know of a series beside its defects.

    Parameters
    ----------
    series : Cleaned
        A series.

    Returns
    -------
    list of str
        Sentences.
    """
    notes = []
    for change in level_changes(series.load_kw, series.step_h):
        what = "a change of unit (power against energy, or a factor of 1000)?" if change.is_unit else "ask what changed"
        notes.append(
            f"from {series.shown(change.step)} on the load is {_times(change.ratio)} times what it was: {what}"
        )
    if is_one_day_repeated(series.load_kw, series.step_h):
        notes.append("nearly every day is the same as the one before: a profile, not a measurement?")
    return notes


def bill_note(series: Cleaned, billed_kwh: float) -> str:
    """
    Return how a series compares with the energy of a bill for the same time.

    Parameters
    ----------
    series : Cleaned
        A series.
    billed_kwh : float
        Energy on the bill [kWh].

    Returns
    -------
    str
        A sentence, with the unit that would explain a factor.
    """
    energy_kwh = float(np.nansum(series.load_kw)) * series.step_h
    ratio = energy_kwh / billed_kwh
    per_h = 1 / series.step_h
    causes = {1000.0: "W or Wh read as kilo?", 0.001: "kW or kWh read as W or Wh?"}
    if per_h > 1:
        causes |= {per_h: "power read as energy? --unit kW", 1 / per_h: "energy read as power? --unit kWh"}
    cause = next((words for one, words in causes.items() if abs(ratio / one - 1) < NEAR_FRAC), "")
    text = f"{energy_kwh:,.0f} kWh in the file, {billed_kwh:,.0f} kWh on the bill: {100 * (ratio - 1):+.1f} %"
    return f"{text}; {cause}" if cause else text


def _times(ratio: float) -> str:
    return f"{ratio:,.0f}" if ratio >= 100 else f"{ratio:.3g}"
