"""Lasting changes of the level of a load: another use of the site, or another unit in a part of the file."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Common practice, no source: what they find is shown, and only touched when that is asked for.
LEVEL_RATIO, LEVEL_WEEKS = 2.5, 3  # three whole weeks lie in any month
UNIT_RATIOS = (4.0, 60.0, 1000.0)  # energy of quarter hours or minutes against power, and a prefix
UNIT_TOLERANCE = 0.15


class LevelChange(NamedTuple):
    """A change of level that lasts.

    Parameters
    ----------
    step : int
        The first step of the new level.
    ratio : float
        New level over the old one; exactly that of a unit where it is near one.
    is_unit : bool
        Whether it is.
    """

    step: int
    ratio: float
    is_unit: bool


def level_changes(load_kw: FloatArray, step_h: float) -> list[LevelChange]:
    """
    Return the steps at which the level of a load changes for weeks, or its unit does.

    Parameters
    ----------
    load_kw : ndarray of shape (n_steps,)
        A load [kW].
    step_h : float
        Length of a step [h].

    Returns
    -------
    list of LevelChange
        Changes by a factor, in order.
    """
    per_week = round(168 / step_h)
    n_weeks = len(load_kw) // per_week
    if n_weeks < 2 * LEVEL_WEEKS:
        return []
    weeks = load_kw[: n_weeks * per_week].reshape(n_weeks, per_week)
    filled = np.isfinite(weeks).mean(axis=1) > 0.5
    means = np.array([np.nanmean(week) if ok else np.nan for week, ok in zip(weeks, filled, strict=True)])
    found: list[LevelChange] = []
    last = -LEVEL_WEEKS
    for week in range(LEVEL_WEEKS, n_weeks - LEVEL_WEEKS + 1):
        before, after = means[week - LEVEL_WEEKS : week], means[week : week + LEVEL_WEEKS]
        if week - last < LEVEL_WEEKS or np.isnan([before, after]).any() or min(before.min(), after.min()) <= 0:
            continue
        # All weeks on one side lie apart from all on the other; one in which the level changes lies between them, and
        # must belong to one side even where it is noisy: so the bar is below the root of the least ratio of units.
        apart = max(after.min() / before.max(), before.min() / after.max())
        ratio = float(np.median(after) / np.median(before))
        if apart > 0.7 * LEVEL_RATIO and max(ratio, 1 / ratio) > LEVEL_RATIO:
            last, unit = week, _unit_ratio(ratio)
            found.append(
                LevelChange(_first_step(weeks, week, ratio), ratio if unit is None else unit, unit is not None)
            )
    return found


def _unit_ratio(ratio: float) -> float | None:
    """Return the ratio of units that is near, if one is."""
    both_ways = [one for unit in UNIT_RATIOS for one in (unit, 1 / unit)]
    return next((one for one in both_ways if abs(ratio / one - 1) < UNIT_TOLERANCE), None)


def _first_step(weeks: FloatArray, week: int, ratio: float) -> int:
    """Return the first step of the new level, within a week of where it shows: the cut that leaves the least odd."""
    n = LEVEL_WEEKS - 1
    # What is usual at each time of the week, from weeks that are surely on one side.
    sure = np.concatenate((weeks[week - 1 - n : week - 1], weeks[week + 1 : week + 1 + n] / ratio))
    sure = np.where(np.isfinite(sure) & (sure > 0), sure, np.nan)
    sure[:, np.isnan(sure).all(axis=0)] = np.nanmean(sure)
    usual = np.nanmedian(sure, axis=0)
    near = weeks[week - 1 : week + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        odd = np.log(near / usual)
        gain = np.abs(odd) - np.abs(odd - np.log(ratio))
    gain = np.where(np.isfinite(gain), gain, 0.0).ravel()
    first = int(np.argmin(np.concatenate(([0.0], np.cumsum(gain)))))
    return int((week - 1) * weeks.shape[1] + first)
