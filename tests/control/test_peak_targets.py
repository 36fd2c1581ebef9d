"""What a store can hold, and what it must have for it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crestfall.control._peak_targets import CLOSE_KW, Means, need
from crestfall.dispatch import optimise
from small_problems import peak_over, small_problem
from strategies import rows

N = 12


def means_of(**changes) -> Means:
    return Means.of(small_problem(N, **changes))


@st.composite
def stores(draw) -> dict:
    return {
        "charge_limit_kw": draw(st.integers(5, 100)),
        "discharge_limit_kw": draw(st.integers(5, 100)),
        "charge_frac": draw(st.sampled_from([1.0, 0.9])),
        "discharge_frac": draw(st.sampled_from([1.0, 0.9])),
        "keep_frac": draw(st.sampled_from([1.0, 0.99])),
        "ceiling_kwh": draw(st.integers(20, 300)),
    }


def test_textbook_day_has_its_closed_form():
    """700 - 300 x 0.95 / 2 = 557.5 from a full store of 300 kWh, 0.95 out and two hours at 700 kW."""
    load = np.full(N, 400.0)
    load[5:7] = 700.0
    means = means_of(ceiling_kwh=300.0, discharge_limit_kw=200.0)
    assert means.least_raise_kw(load, np.zeros(N), 300.0) == pytest.approx(557.5, abs=2 * CLOSE_KW)


@settings(max_examples=40)
@given(load=rows(N, 0, 200), store=stores(), start=st.floats(0, 1))
def test_least_cap_is_the_optimum_of_a_peak_alone(load, store, start):
    """With free energy the least peak is the least cost; the general formulation knows nothing of the quick way."""
    begin = start * store["ceiling_kwh"]
    problem = small_problem(N, load_kw=load, start_kwh=begin, peaks=(peak_over(*range(N)),), **store)
    assert Means.of(problem).least_raise_kw(load, np.zeros(N), begin) == pytest.approx(
        optimise(problem).objective, abs=2 * CLOSE_KW
    )


@given(load=rows(N, 0, 200), store=stores(), near=st.floats(0, 300), beside=st.floats(150, 300))
def test_it_does_not_matter_where_the_search_sets_out(load, store, near, beside):
    means, zeros, limit, full = means_of(**store), np.zeros(N), np.full(N, beside), store["ceiling_kwh"]
    found = means.least_raise_kw(load, zeros, full, 0, limit)
    assert means.least_raise_kw(load, zeros, full, 0, limit, near) == pytest.approx(found, abs=CLOSE_KW)
    assert means.least_raise_kw(load, zeros, full, 0, limit, found) == pytest.approx(found, abs=CLOSE_KW)


@given(load=rows(N, 0, 200), cap=st.floats(10, 200), store=stores())
def test_energy_needed_is_enough_and_less_is_not(load, cap, store):
    """The first step is left as it is, so that the energy at its end is the start of the rest."""
    means, caps = means_of(**store), np.full(N, cap)
    assume(means.keeps(load[1:], caps[1:], store["ceiling_kwh"], 1))
    needed = float(needed_kwh(means, load, cap)[0])
    assert means.keeps(load[1:], caps[1:], needed + 1e-6, 1)
    if needed > 1e-3:
        assert not means.keeps(load[1:], caps[1:], needed - 1e-3, 1)


def needed_kwh(means: Means, load: np.ndarray, cap: float) -> np.ndarray:
    needed = np.zeros(len(load))
    n, every = len(load), np.ones((1, len(load)), dtype=bool)
    need(load, every, np.array([cap]), 0, n, 0, means.of_steps(0, n), needed)
    return needed


@settings(max_examples=40)
@given(load=rows(N, 0, 200), cap=st.floats(10, 200), store=stores(), first=st.integers(1, N - 1))
def test_energy_needed_until_a_later_end_is_found_from_what_is_known(load, cap, store, first):
    means, every = means_of(**store), np.ones((1, N), dtype=bool)
    needed = np.zeros(N)
    needed[:first] = needed_kwh(means_of(**store), load[:first], cap)
    need(load, every, np.array([cap]), 0, N, first, means.of_steps(0, N), needed)
    assert needed.tolist() == needed_kwh(means, load, cap).tolist()


M, WEEK, DAY = 45, 20, 5  # steps of the data, of the window, and of a day
ENDS = np.array([10, 15, 20, 25, 27, 32, 37, 45])  # a day of two steps, and one that is skipped


@settings(max_examples=60)
@given(
    load=rows(M, 0, 200), store=stores(), lowered=st.floats(0.5, 1.0), dear=st.sets(st.integers(0, M - 1), min_size=1)
)
def test_what_one_search_leaves_to_the_next_changes_nothing(load, store, lowered, dear):
    """Each level is that of a search alone that sets out from the same place, also where less fits after a while."""
    means = Means.of(small_problem(M, **store))
    full = means.ceiling_kwh * np.where(np.arange(M) < M // 2, 1.0, lowered)
    means = replace(means, ceiling_kwh=full)
    is_capped = np.array([[t in dear for t in range(M)], [True] * M])
    lowest, daily = means.lowest_caps_kw(load, is_capped, ENDS, WEEK, DAY)

    def alone(k: int, begin: int, end: int, beside: np.ndarray, near: float) -> float:
        part = slice(begin, end)
        cap = np.where(is_capped[k, part], 0.0, np.inf)
        return means.least_raise_kw(load[part], cap, full[begin], begin, beside[part], near)

    last, of_day = [np.nan, np.nan], {}
    for row, end in enumerate(ENDS.tolist()):
        begin, beside = max(end - WEEK, 0), np.full(M, np.inf)
        for k in range(2):
            if not is_capped[k, begin:end].any():
                assert np.isnan(lowest[row, k])
                continue
            last[k] = alone(k, begin, end, beside, last[k])
            assert lowest[row, k] == pytest.approx(last[k], abs=1e-9)
            n = (end - begin) // DAY
            assert np.isinf(daily[row, k, n:]).all()
            for i, b in enumerate(range(end - (n - 1) * DAY, end + 1, DAY)):
                if k or (k, b) not in of_day:
                    found = alone(k, b - DAY, b, beside, of_day.get((k, b), np.nan))
                    of_day[k, b] = max(found, load[b - DAY : b].mean()) if is_capped[k, b - DAY : b].all() else found
                assert daily[row, k, i] == pytest.approx(of_day[k, b], abs=1e-9)
            beside[is_capped[k]] = np.minimum(beside[is_capped[k]], last[k])
