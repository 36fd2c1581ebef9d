"""A clean series as a CSV file, and the lines that name it in a scenario."""

from pathlib import Path

import numpy as np

from crestfall.errors import SeriesError
from crestfall.series._axis import STEPS_MIN
from crestfall.series.meter._cleaned import Cleaned
from crestfall.series.meter._resample import resampled

DECIMALS = 6  # of a kW: a milliwatt


def on_step(series: Cleaned, step_min: int) -> Cleaned:
    """
    Return a series on another step.

    Parameters
    ----------
    series : Cleaned
        A whole series.
    step_min : int
        The step wanted [min].

    Returns
    -------
    Cleaned
        Energy is kept, and no peak is invented; a step counts as the worst of those in it.

    Raises
    ------
    SeriesError
        If a study has no such step, or the series does not begin and end with one.
    """
    if step_min not in STEPS_MIN:
        raise SeriesError(
            f"found a step of {step_min} minutes\n    expected one of {', '.join(map(str, STEPS_MIN))} minutes"
        )
    now_min, first_min = series.step_s // 60, int(series.local_s[0]) // 60
    if now_min == step_min:
        return series

    def moved(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return resampled(values, step_min=now_min, to_min=step_min, first_min=first_min)

    load_kw = moved(series.load_kw)
    fine = np.repeat(series.marks, now_min)
    marks = fine.reshape(-1, step_min).max(axis=1)
    return Cleaned(
        source=series.source,
        first_s=series.first_s,
        step_s=60 * step_min,
        clock=series.clock,
        load_kw=load_kw,
        export_kw=None if series.export_kw is None else moved(series.export_kw),
        marks=marks,
        defects=series.defects,
    )


def csv_text(series: Cleaned) -> str:
    """
    Return a series as CSV: time with UTC offset, load_kw, and export_kw where there is one.

    Parameters
    ----------
    series : Cleaned
        A whole series.

    Returns
    -------
    str
        The text of the file.
    """
    utc_s = series.utc_s
    offset_s = series.clock.offset_at_s(utc_s)
    walls = np.datetime_as_string((utc_s + offset_s).astype("datetime64[s]"), unit="m")
    words = {int(one): _offset(int(one)) for one in np.unique(offset_s)}
    columns = [series.load_kw] if series.export_kw is None else [series.load_kw, series.export_kw]
    head = "time,load_kw" if series.export_kw is None else "time,load_kw,export_kw"
    texts = [[_number(value) for value in column.tolist()] for column in columns]
    stamps = (f"{wall}{words[offset]}" for wall, offset in zip(walls.tolist(), offset_s.tolist(), strict=True))
    return "\n".join([head, *map(",".join, zip(stamps, *texts, strict=True)), ""])


def scenario_lines(file: Path, series: Cleaned) -> list[str]:
    """
    Return the lines that name a clean file in a scenario.

    Parameters
    ----------
    file : Path
        The file.
    series : Cleaned
        What it holds.

    Returns
    -------
    list of str
        YAML of the block ``site``; a comment says what a load of its own would be where the site exports.
    """
    lines = ["site:", f"  time_zone: {series.clock.name}"]
    if series.export_kw is not None and series.export_kw.any():
        energy_kwh = float(series.export_kw.sum()) * series.step_h
        lines += [
            f"  # The site gives {energy_kwh:,.0f} kWh to the grid (export_kw): what it takes is not all that it uses.",
            "  # Its load is load_kw + generation - export_kw; give that as load, and the generation as pv.",
        ]
    return [*lines, f"  load: {{file: {file.name}, column: load_kw, unit: kW}}"]


def _number(value: float) -> str:
    return f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")


def _offset(offset_s: int) -> str:
    sign, minutes = "-" if offset_s < 0 else "+", abs(offset_s) // 60
    return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"
