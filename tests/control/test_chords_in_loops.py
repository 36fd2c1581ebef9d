"""Power along chords in compiled loops, against the curve for arrays."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.control._chords import at_terminals, through
from crestfall.dispatch import Curve
from strategies import chord_rows


@given(chords=chord_rows(), share=st.floats(0, 1.2), charging=st.booleans())
def test_single_values_and_arrays_of_a_curve_agree(chords, share, charging):
    curve = Curve.charging(chords) if charging else Curve.discharging(chords)
    rows = np.stack((curve.widths_kw, curve.store_fracs))
    ac_kw, store_kw = share * curve.ac_kw[-1], share * curve.store_kw[-1]
    if share <= 1 or len(chords) > 1:  # a single chord has no end of its own
        assert through(ac_kw, rows, 1) == pytest.approx(float(curve.at_store(np.array([ac_kw]))[0]), abs=1e-9)
        found = float(curve.at_terminals(np.array([store_kw]))[0])
        assert at_terminals(store_kw, rows, 1) == pytest.approx(found, abs=1e-9)


def test_a_chord_whose_cooling_takes_all_it_gives_is_not_used():
    rows = np.array([[10.0, 10.0], [0.5, 0.0]])
    assert through(20.0, rows, 1) == pytest.approx(5.0)
    assert at_terminals(8.0, rows, 1) == pytest.approx(10.0)


def test_nothing_goes_nowhere():
    rows = np.array([[10.0], [0.5]])
    assert (through(0.0, rows, 1), at_terminals(0.0, rows, 1), at_terminals(-1.0, rows, 1)) == (0.0, 0.0, 0.0)
