"""The better parts of two schedules, put together where both hold the same energy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.dispatch import Peak
from crestfall.dispatch._splicing import Run, better_parts, seams_between

N, PART = 40, 10
SPANS = np.arange(N + 1)


def peaks_of(*extents):
    return tuple(Peak(name=f"{a} to {b}", rate_per_kw=1.0, steps=np.arange(a, b)) for a, b in extents)


@pytest.mark.parametrize(
    ("extents", "at", "part_of"),
    [
        ([(0, 20), (20, 40)], [20], [0, 1]),
        ([(0, 20), (0, 10), (20, 30)], [20, 30], [0, 0, 1]),  # a season's two peaks are not parted by one of a month
        ([(0, 40), (0, 20), (20, 40)], [], [0, 0, 0]),  # a year's peak ties all together
        ([(5, 15)], [5, 15], [1]),
    ],
)
def test_no_peak_is_measured_on_both_sides_of_a_seam(extents, at, part_of):
    seams = seams_between(peaks_of(*extents), SPANS)
    assert (seams.at.tolist(), seams.part_of.tolist()) == (at, part_of)


def test_seams_are_counted_in_intervals():
    assert seams_between(peaks_of((0, 20), (20, 40)), np.arange(0, N + 1, 4)).at.tolist() == [5]


def test_a_peak_of_no_step_is_in_the_first_part():
    assert seams_between((*peaks_of((0, 20), (20, 40)), *peaks_of((0, 0))), SPANS).part_of.tolist() == [0, 1, 0]


energies = st.lists(st.sampled_from([0.0, 0.0, 1.0, 2.0]), min_size=N, max_size=N)
costs = st.lists(st.integers(-5, 5).map(float), min_size=N, max_size=N)
dues = st.lists(st.integers(0, 20).map(float), min_size=N // PART, max_size=N // PART)
runs = st.builds(
    lambda start, stored, cost, peaks: Run(start, np.array(stored), np.array(cost), np.array(peaks)),
    st.sampled_from([0.0, 1.0]),
    energies,
    costs,
    dues,
)
SEAMS = seams_between(peaks_of(*((a, a + PART) for a in range(0, N, PART))), SPANS)


@given(first=runs, second=runs)
def test_parts_are_exchanged_only_where_both_hold_the_same_energy(first, second):
    is_second = better_parts(SEAMS, first, second)
    if is_second is None:
        return
    joints = np.flatnonzero(is_second[1:] != is_second[:-1])
    np.testing.assert_array_equal(first.stored_kwh[joints], second.stored_kwh[joints])
    if first.start_kwh != second.start_kwh:
        assert is_second[0] == is_second[-1]


@given(first=runs, second=runs)
def test_with_joints_at_all_seams_each_part_is_the_cheaper_one(first, second):
    for one in (first, second):
        one.stored_kwh[SEAMS.at - 1] = 0.0
    second = second._replace(start_kwh=first.start_kwh)
    more = (second.cost - first.cost).reshape(-1, PART).sum(axis=1) + second.peaks_cost - first.peaks_cost
    wanted = np.repeat(more < 0, PART)
    found = better_parts(SEAMS, first, second)
    if wanted.all() or not wanted.any():
        assert found is None
    else:
        np.testing.assert_array_equal(found, wanted)
