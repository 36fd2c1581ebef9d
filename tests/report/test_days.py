"""What the page carries to draw any day."""

import base64

import numpy as np
import pandas as pd
import pytest

from crestfall.report import _days
from crestfall.report._days import SERIES, days_of
from hourly_site import shared_study


@pytest.fixture(scope="module")
def result():
    return shared_study()


def unpacked(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype="<f4")


def test_series_are_those_of_the_schedule(result):
    days, frame = days_of(result), result.schedule_frame()
    for name in SERIES:
        np.testing.assert_array_equal(unpacked(days["series"][name]), frame[name].to_numpy(dtype="<f4"))


def test_days_begin_at_local_midnight(result):
    days, frame = days_of(result), result.schedule_frame()
    starts = frame.index[days["first"][:-1]]
    assert (starts == starts.normalize()).all()
    assert days["dates"] == [f"{one:%Y-%m-%d}" for one in starts]
    assert days["first"][-1] == len(frame)


def test_clocks_are_told_where_they_change(result):
    """Central Europe: 30 March 2025 has no hour from 02:00, 26 October has it twice."""
    days = days_of(result)
    clocks = {days["dates"][int(day)]: minutes for day, minutes in days["clock"].items()}
    assert set(clocks) == {"2025-03-30", "2025-10-26"}
    assert 120 not in clocks["2025-03-30"]
    assert len(clocks["2025-03-30"]) == 23
    assert clocks["2025-10-26"].count(120) == 2


@pytest.mark.parametrize(
    ("step_min", "n_steps", "shown_min"),
    [(15, 35_040, 15), (5, 105_120, 15), (1, 525_600, 15), (30, 17_520, 30), (60, 8_760, 60), (15, 350_400, 60)],
)
def test_a_page_carries_so_many_steps(step_min, n_steps, shown_min):
    assert _days._shown_min(step_min, n_steps) == shown_min


def test_longer_steps_keep_energy_and_what_is_stored_at_their_ends(result):
    frame = result.schedule_frame()[list(SERIES)]
    frame = frame.set_axis(pd.date_range(frame.index[0], periods=len(frame), freq="20min"))
    coarse = _days._coarser(frame, "60min")
    assert coarse["load_kw"].sum() == pytest.approx(frame["load_kw"].sum() / 3)
    np.testing.assert_array_equal(coarse["stored_kwh"], frame["stored_kwh"].iloc[2::3])


def test_billed_peaks_are_those_of_the_result(result):
    (charge,) = days_of(result)["charges"]
    assert charge["after"] == pytest.approx([peak.replayed for peak in result.peaks(result.headline)], abs=1e-3)
    assert charge["before"] == pytest.approx([peak.before for peak in result.peaks(result.headline)], abs=1e-3)
    assert charge["measured"]["0"] == [[0, 0, 1440]]
