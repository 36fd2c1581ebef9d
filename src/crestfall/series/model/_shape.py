"""Shapes of a load over a year, and how they are fitted to energy and peak."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.scenario.model_file import ParametricLoad

FloatArray = NDArray[np.float64]

QUARTER_MIN = 15
STEEPEST = 1e4
FIT_ROUNDS = 200  # halvings; the exponent is then exact to the last digit
# Winter, transition and summer of the classic profiles: first day of each stretch (VDEW M-32/99, as demandlib has it).
SEASONS = ((1, 1, "winter"), (3, 21, "transition"), (5, 15, "summer"), (9, 15, "transition"), (11, 1, "winter"))
SATURDAY, SUNDAY = 5, 6
# From memory: the German standard treats these two as Saturdays unless they are Sundays.
EVES = ((12, 24), (12, 31))

# Invented shapes for bills: an office, a works with two shifts, a load that hardly changes.
BILL_SHAPES: dict[str, ParametricLoad] = {
    "business_hours": ParametricLoad(from_h=7.5, to_h=18.0, base_frac=0.25, saturday_frac=0.2, noise_frac=0.06),
    "two_shifts": ParametricLoad(from_h=6.0, to_h=22.0, base_frac=0.3, saturday_frac=0.5, noise_frac=0.1),
    "steady": ParametricLoad(
        from_h=9.0, to_h=20.0, base_frac=0.75, saturday_frac=0.9, sunday_frac=0.8, noise_frac=0.08
    ),
}


def standard_profile(name: str, start: pd.DatetimeIndex, free: NDArray[np.bool_]) -> FloatArray:
    """
    Return a German standard load profile (BDEW) on the steps of a local axis, of no particular size.

    Parameters
    ----------
    name : str
        G0 to G6, L0 to L2, or G25 and L25 of the set of 2025.
    start : DatetimeIndex of shape (n_steps,)
        Steps of a quarter of an hour or a multiple of it.
    free : ndarray of bool, shape (n_steps,)
        Steps of public holidays.

    Returns
    -------
    ndarray of shape (n_steps,)
        Relative power.

    Raises
    ------
    SeriesError
        If the package with the tables is not installed.
    """
    spec = find_spec("demandlib")  # its tables are read, none of its code runs
    if spec is None or not spec.submodule_search_locations:
        raise SeriesError(
            "the standard load profiles are in the package demandlib, which is not installed\n"
            "    pip install 'crestfall[profiles]'"
        )
    folder = Path(spec.submodule_search_locations[0]) / "bdew" / "bdew_data"
    quarter = np.asarray((start.hour * 60 + start.minute) // QUARTER_MIN)
    per_step = max(round((start[1] - start[0]).total_seconds() / 60) // QUARTER_MIN, 1)
    weekday = np.where(free, SUNDAY, np.asarray(start.day_of_week))
    eve = np.any([(start.month == month) & (start.day == day) for month, day in EVES], axis=0)
    weekday = np.where(eve & (weekday < SATURDAY), SATURDAY, weekday)
    table, row = (_of_2025 if name.endswith("25") else _classic)(folder, name, start, weekday)
    means: FloatArray = np.mean([table[row, quarter + n] for n in range(per_step)], axis=0)
    return means


def shape_of(ask: ParametricLoad, start: pd.DatetimeIndex, free: NDArray[np.bool_]) -> FloatArray:
    """
    Return the shape of a site that is described by its working hours.

    Parameters
    ----------
    ask : ParametricLoad
        The description.
    start : DatetimeIndex of shape (n_steps,)
        Local axis.
    free : ndarray of bool, shape (n_steps,)
        Steps of public holidays.

    Returns
    -------
    ndarray of shape (n_steps,)
        Relative power, about 1 in working hours.
    """
    hour = np.asarray(start.hour + start.minute / 60)
    works = within(hour, ask.from_h, ask.to_h)
    weekday = np.asarray(start.day_of_week)
    # A shift over midnight belongs to the day on which it began.
    if ask.to_h < ask.from_h:
        weekday = np.where(hour < ask.to_h, (weekday - 1) % 7, weekday)
    day_frac = np.select([free | (weekday == SUNDAY), weekday == SATURDAY], [ask.sunday_frac, ask.saturday_frac], 1.0)
    shape = ask.base_frac + (1 - ask.base_frac) * day_frac * works
    if ask.cooling_frac:
        # Warmest late in July and at four in the afternoon; common practice, no source.
        summer = np.maximum(np.cos(2 * np.pi * (np.asarray(start.day_of_year) - 205) / 365), 0.0)
        warm = np.maximum(np.cos(2 * np.pi * (hour - 16) / 24), 0.0)
        shape = shape + ask.cooling_frac * summer * warm * np.maximum(works * day_frac, 0.3)
    noise = np.random.default_rng(ask.seed).standard_normal(len(shape))
    return np.asarray(shape * np.maximum(1 + ask.noise_frac * noise, 0.05))


def within(hour: FloatArray, from_h: float, to_h: float) -> NDArray[np.bool_]:
    """
    Tell which hours lie in a stretch of the day that may run over midnight.

    Parameters
    ----------
    hour : ndarray
        Hours of the day.
    from_h, to_h : float
        The stretch.

    Returns
    -------
    ndarray of bool
        Whether each lies in it.
    """
    if from_h <= to_h:
        return np.asarray((hour >= from_h) & (hour < to_h))
    return np.asarray((hour >= from_h) | (hour < to_h))


def fitted_kw(shape: FloatArray, *, step_h: float, energy_kwh: float, peak_kw: float | None) -> FloatArray:
    """
    Return a load of the given energy and peak that rises and falls where a shape does.

    With a peak each step is the peak times the shape over its maximum, to one power for all: it keeps the order of the
    steps and never turns negative, and one power makes the energy right.

    Parameters
    ----------
    shape : ndarray of shape (n_steps,)
        Relative power, not negative.
    step_h : float
        Length of a step [h].
    energy_kwh : float
        Energy wanted [kWh].
    peak_kw : float or None
        Peak wanted; None takes what the energy makes of the shape [kW].

    Returns
    -------
    ndarray of shape (n_steps,)
        Mean power [kW].

    Raises
    ------
    SeriesError
        If no load of the shape has that energy and that peak.

    Examples
    --------
    >>> fitted_kw(np.array([1.0, 2.0, 4.0]), step_h=1.0, energy_kwh=14.0, peak_kw=8.0).round(6).tolist()
    [2.0, 4.0, 8.0]
    """
    mean_kw = energy_kwh / (len(shape) * step_h)
    if peak_kw is None:
        return np.asarray(shape * (mean_kw / shape.mean()))
    relative = shape / shape.max()
    # With the steepest power only what comes up to the maximum is left.
    least_kw = peak_kw * float((relative**STEEPEST).mean())
    if not least_kw < mean_kw < peak_kw:
        raise SeriesError(
            f"{energy_kwh:,.0f} kWh in {len(shape) * step_h:,.0f} h and a peak of {peak_kw:,.1f} kW do not fit\n"
            f"    the peak must lie above the mean of {mean_kw:,.1f} kW; check energy and peak"
        )
    low, high = 1e-9, STEEPEST
    for _ in range(FIT_ROUNDS):
        power = (low * high) ** 0.5
        low, high = (power, high) if (relative**power).mean() * peak_kw > mean_kw else (low, power)
    return np.asarray(peak_kw * relative**low)


def _classic(
    folder: Path, name: str, start: pd.DatetimeIndex, weekday: NDArray[np.int_]
) -> tuple[FloatArray, NDArray[np.int_]]:
    table = pd.read_csv(folder / "selp_series.csv", index_col=0)
    seasons = ("winter", "transition", "summer")
    cells = np.stack(
        [
            table.loc[(table["period"] == s) & (table["weekday"] == d), name.lower()].to_numpy()
            for s in seasons
            for d in range(1, 8)
        ]
    )
    day = np.asarray(start.month * 100 + start.day)
    edges = [month * 100 + first for month, first, _ in SEASONS]
    season = np.array([seasons.index(word) for *_, word in SEASONS])[np.searchsorted(edges, day, side="right") - 1]
    return cells, season * 7 + weekday


def _of_2025(
    folder: Path, name: str, start: pd.DatetimeIndex, weekday: NDArray[np.int_]
) -> tuple[FloatArray, NDArray[np.int_]]:
    # Twelve months of Saturday, Sunday or holiday, working day; quarter hours downwards.
    cells = pd.read_csv(folder / f"{name.lower()}.csv", header=None, skiprows=2).iloc[:96, 1:37].to_numpy(float).T
    kind = np.select([weekday == SATURDAY, weekday == SUNDAY], [0, 1], 2)
    return cells, (np.asarray(start.month) - 1) * 3 + kind
