"""One tariff file on the steps of a year: what every kind of charge needs to find its steps."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from crestfall.errors import KeyedError, KeyPath
from crestfall.scenario import TariffFile
from crestfall.scenario.tariff_clauses import LocalTime, Windowed
from crestfall.tariff._calendar import LocalClock, Mask, in_season, parts_of_a_step, steps_in
from crestfall.tariff._periods import Periods, billing_periods, peak_periods
from crestfall.tariff._readings import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A tariff file and the axis it is laid on.

    Parameters
    ----------
    tariff : TariffFile
        The charges.
    folder : Path
        Folder of the file, where its price series are looked for.
    clock : LocalClock
        The steps.
    parts : int
        Into how many parts a step falls so that no window edge lies inside one.
    fine : LocalClock
        The parts.
    valid : ndarray of bool, shape (n_steps,)
        Steps on which the sheet is valid.
    billing : Periods
        Its billing periods.
    """

    tariff: TariffFile
    folder: Path
    clock: LocalClock
    parts: int
    fine: LocalClock
    valid: Mask
    billing: Periods

    @classmethod
    def of(cls, tariff: TariffFile, folder: Path, clock: LocalClock, valid: Mask) -> "Layout":
        """Prepare the axis for a tariff file."""
        parts = parts_of_a_step(tariff, clock.step_min)
        fine = clock if parts == 1 else LocalClock.at(clock.start, clock.step_min / 60, parts=parts)
        billing = billing_periods(tariff, clock).within(valid, clock)
        return cls(tariff=tariff, folder=folder, clock=clock, parts=parts, fine=fine, valid=valid, billing=billing)

    @property
    def step_h(self) -> float:
        """Length of a step [h]."""
        return self.clock.step_min / 60

    def periods(self, kind: str, charge: Windowed | None = None) -> Periods:
        """
        Return the periods of a kind, with amounts for the part in which the sheet is valid.

        A charge that holds in some seasons only has a part of a billing period that lies partly in them, by days.
        """
        if kind == "month":
            seasons = None if charge is None else self._in_its_seasons(charge)
            whole = billing_periods(self.tariff, self.clock)
            return self.billing if seasons is None else whole.within(self.valid & seasons, self.clock)
        return peak_periods(kind, self.tariff, self.clock).within(self.valid, self.clock)

    def _in_its_seasons(self, charge: Windowed) -> Mask | None:
        """Return the steps on days of a charge's seasons; None where it has a part outside of any."""
        blocks = charge.when or ()
        if not blocks or any(block.seasons is None for block in blocks):
            return None
        named = {name for block in blocks for name in block.seasons or ()}
        inside: Mask = np.logical_or.reduce([in_season(self.tariff.seasons[name], self.clock) for name in named])
        return inside

    def whole_steps(self, charge: Windowed, key: KeyPath) -> Mask:
        """Return the steps of which a charge covers at least a part, on all sheets' days; all without `when`."""
        if charge.when is None:
            return np.ones(self.clock.n_steps, dtype=bool)
        covered = steps_in(charge.when, self.tariff, self.fine, (*key, "when"))
        return np.asarray(covered.reshape(-1, self.parts).any(axis=1), dtype=bool)

    def share_of_steps(self, covered: Mask) -> FloatArray:
        """Return the share of each valid step that lies in the covered parts."""
        share: FloatArray = covered.reshape(-1, self.parts).mean(axis=1) * self.valid
        return share

    def steps_at(self, local_time: LocalTime, duration_min: int, key: KeyPath) -> Mask:
        """Return the steps of an interval that begins at a local time, none where it lies outside the data."""
        clock = self.clock
        if duration_min % clock.step_min:
            raise KeyedError(
                "tariff",
                key,
                found=f"{local_time} for {duration_min} minutes",
                expected=f"whole steps of {clock.step_min} minutes",
                remedy="use finer data",
            )
        zone = clock.start.tz
        # Of an hour that the clock shows twice the first counts; one that it skips begins where the clock lands.
        begin = pd.Timestamp(local_time).tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        inside: Mask = np.asarray((clock.start >= begin) & (clock.start < begin + pd.Timedelta(minutes=duration_min)))
        if inside.any() and begin not in clock.start:
            raise KeyedError(
                "tariff",
                key,
                found=repr(local_time),
                expected=f"the start of a step of {clock.step_min} minutes",
                remedy="use finer data or a whole step",
            )
        return inside
