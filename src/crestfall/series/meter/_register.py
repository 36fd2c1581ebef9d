"""Registers that count on: told from values of intervals, and turned into the powers between their readings."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._record import Kind, Notebook, Said, Unit
from crestfall.series.meter._rows import FloatArray, Mask, Rows

MOST_FALLS = 2  # a register may be exchanged, or pass its last digit
SURE_ROWS = 100  # no load rises this often for each time that it falls
MOST_TIMES = 2.0  # its highest power, for a step in which a register passed its last digit; common practice, no source


def kind_of_values(values: FloatArray, unit: Unit | None, said: Said, notes: Notebook) -> Kind:
    """
    Tell values of intervals from readings of a register that counts on, or note the question.

    Parameters
    ----------
    values : ndarray of shape (n_rows,)
        Values forwards in time.
    unit : {"W", "kW", "MW", "Wh", "kWh", "MWh"} or None
        Their unit, as far as it is known.
    said : Said
        What the user says.
    notes : Notebook
        Where the finding or the question goes.

    Returns
    -------
    {"interval", "register"}
        The kind; "interval" while the question is open.
    """
    if said.kind is not None:
        words = {"interval": "of each interval", "register": "readings of a register"}
        notes.found("values", words[said.kind], "as said", "--values")
        return said.kind
    present = values[np.isfinite(values)]
    changes = np.diff(present)
    rises, falls = int((changes > 0).sum()), int((changes < 0).sum())
    # A load falls about as often as it rises; what hardly ever falls is a register, exchanged or past its last digit.
    if rises < 2 or falls > max(MOST_FALLS, rises / SURE_ROWS):
        notes.found("values", "of each interval", f"they fall {falls:,} and rise {rises:,} times", "--values")
        return "interval"
    is_power = unit is not None and not unit.endswith("h")
    if rises >= SURE_ROWS and not is_power:
        why = f"they rise {rises:,} times and fall {falls} times"
        notes.found("values", "readings of a register", why, "--values")
        return "register"
    notes.ask(
        "values",
        f"they rise {rises:,} and fall {falls} times: a load, or a register that counts on?",
        ("--values interval", "each value belongs to one interval"),
        ("--values register", "the difference of two readings belongs to the interval between them"),
    )
    return "interval"


def of_register(rows: Rows, notes: Notebook) -> Rows:
    """
    Return the powers between readings of a register.

    Parameters
    ----------
    rows : Rows
        Readings; `load_kw` and `export_kw` hold counts in kWh at the moments `utc_s`.
    notes : Notebook
        Where falls are noted.

    Returns
    -------
    Rows
        Powers on intervals that start at a reading; where readings are missing or a register passed its last digit,
        with the power that is known over them.

    Raises
    ------
    SeriesError
        If there is only one reading, or one stands off the steps.
    """
    order = np.argsort(rows.utc_s, kind="stable")
    utc_s, first = np.unique(rows.utc_s[order], return_index=True)
    if left_out := len(order) - len(first):
        notes.found("readings of one moment", f"{left_out:,} left out", "the first of each moment is taken")
    order = order[first]
    if len(utc_s) < 2:
        raise SeriesError(f"{rows.source}: one reading of a register makes no interval\n    expected at least two")
    length_s = np.diff(utc_s)
    steps = np.maximum(length_s // rows.step_s, 1)
    if (length_s % rows.step_s).any():
        at = int(np.flatnonzero(length_s % rows.step_s)[0])
        raise SeriesError(
            f"{rows.source} line {rows.line[order[at + 1]]:,}: the reading at {rows.shown(int(utc_s[at + 1]))} stands"
            f" off the steps of {rows.step_s // 60} minutes\n    bring the readings to one step"
        )
    is_whole = np.repeat(steps == 1, steps)
    load_kw, has_rolled = _powers(rows.load_kw[order], length_s, "load", notes)
    load_kw, rolled = np.repeat(load_kw, steps), np.repeat(has_rolled, steps)
    export_kw = None
    if rows.export_kw is not None:
        export_kw, has_rolled = _powers(rows.export_kw[order], length_s, "export", notes)
        export_kw, rolled = np.repeat(export_kw, steps), rolled | np.repeat(has_rolled, steps)
    plain = is_whole & ~rolled
    return replace(
        rows,
        utc_s=np.repeat(utc_s[:-1], steps) + rows.step_s * _counted_up(steps),
        load_kw=np.where(plain, load_kw, np.nan),
        export_kw=None if export_kw is None else np.where(plain, export_kw, np.nan),
        known_kw=None if plain.all() else np.where(plain, np.nan, load_kw),
        known_export_kw=None if plain.all() or export_kw is None else np.where(plain, np.nan, export_kw),
        rolled=rolled if rolled.any() else None,
        line=np.repeat(rows.line[order[:-1]], steps),
        skipped=None,
        substituted=None,
    )


def _powers(counts_kwh: FloatArray, length_s: NDArray[np.int64], what: str, notes: Notebook) -> tuple[FloatArray, Mask]:
    """Return mean powers between counts, and where the register passed its last digit; NaN where it was exchanged."""
    gained_kwh = np.diff(counts_kwh)
    fell = gained_kwh < 0
    length_h = length_s / 3600
    power_kw: FloatArray = np.where(fell, np.nan, gained_kwh / length_h)
    if not fell.any():
        return power_kw, fell
    # A register of n digits goes on from 10^n at nought; one that was exchanged would have made far too much so.
    before_kwh = np.maximum(counts_kwh[:-1][fell], 1.0)
    full_kwh = 10.0 ** np.ceil(np.log10(before_kwh))
    through_kw = (gained_kwh[fell] + full_kwh) / length_h[fell]
    rolled = fell.copy()
    rolled[fell] = through_kw <= MOST_TIMES * np.nanmax(power_kw, initial=0.0)
    power_kw[rolled] = through_kw[rolled[fell]]
    for words, count in (
        (f"past its last digit, {full_kwh.max():,.0f} kWh", int(rolled.sum())),
        ("exchanged, or set back", int((fell & ~rolled).sum())),
    ):
        if count:
            notes.found(f"register of the {what}", f"it falls {count:,} time{'' if count == 1 else 's'}", words)
    return power_kw, rolled


def _counted_up(steps: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return 0, 1, ... n-1 for each n.

    >>> _counted_up(np.array([2, 1, 3])).tolist()
    [0, 1, 0, 0, 1, 2]
    """
    ends = np.cumsum(steps)
    return np.arange(ends[-1]) - np.repeat(ends - steps, steps)
