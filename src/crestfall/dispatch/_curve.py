"""A curve of power as the optimiser sees it: chords between AC power and the power at the store."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestfall.plant import Segment

FloatArray = NDArray[np.float64]
WITHOUT_END_KW = 1e9  # width of a single chord whose end is the converter's limit


@dataclass(frozen=True, slots=True)
class Curve:
    """Chords through the origin, in the order in which they are filled.

    Parameters
    ----------
    widths_kw : ndarray of shape (n_segments,)
        AC power of each [kW].
    store_fracs : ndarray of shape (n_segments,)
        Power at the store for each kW AC.
    cooling_fracs : ndarray of shape (n_segments,)
        Further AC power for each kW AC.
    """

    widths_kw: FloatArray
    store_fracs: FloatArray
    cooling_fracs: FloatArray

    @classmethod
    def charging(cls, segments: Sequence[Segment]) -> "Curve":
        """Return the curve of power into the store."""
        widths, fracs, cooling = (np.array(column, dtype=float) for column in zip(*segments, strict=True))
        return cls(widths, fracs, cooling)

    @classmethod
    def discharging(cls, segments: Sequence[Segment]) -> "Curve":
        """Return the curve of power out of the store."""
        widths, fracs, cooling = (np.array(column, dtype=float) for column in zip(*segments, strict=True))
        return cls(widths, 1 / fracs, cooling)

    @property
    def n(self) -> int:
        """Number of chords."""
        return len(self.widths_kw)

    @property
    def ac_kw(self) -> FloatArray:
        """AC power at the ends of the chords, from 0, shape (n_segments + 1,)."""
        return np.concatenate(([0.0], np.cumsum(self.widths_kw)))

    @property
    def store_kw(self) -> FloatArray:
        """Power at the store at the ends of the chords, shape (n_segments + 1,)."""
        return np.concatenate(([0.0], np.cumsum(self.widths_kw * self.store_fracs)))

    def at_store(self, ac_kw: FloatArray) -> FloatArray:
        """Return the power at the store for an AC power."""
        if self.n == 1:
            return np.asarray(ac_kw * self.store_fracs[0])
        return np.asarray(np.interp(ac_kw, self.ac_kw, self.store_kw))

    def at_terminals(self, store_kw: FloatArray) -> FloatArray:
        """Return the AC power for a power at the store; the widest where it is more than the curve reaches."""
        if self.n == 1:
            return np.asarray(store_kw / self.store_fracs[0])
        return np.asarray(np.interp(store_kw, self.store_kw, self.ac_kw))

    def cooling_kw(self, ac_kw: FloatArray) -> FloatArray:
        """Return the further AC power for an AC power."""
        if self.n == 1:
            return np.asarray(ac_kw * self.cooling_fracs[0])
        ends = np.concatenate(([0.0], np.cumsum(self.widths_kw * self.cooling_fracs)))
        return np.asarray(np.interp(ac_kw, self.ac_kw, ends))

    def widths_within(self, limit_kw: FloatArray) -> FloatArray:
        """Return what a limit leaves of each chord, shape (n_segments, n_steps)."""
        begin = self.ac_kw[:-1, np.newaxis]
        return np.clip(limit_kw[np.newaxis, :] - begin, 0.0, self.widths_kw[:, np.newaxis])
