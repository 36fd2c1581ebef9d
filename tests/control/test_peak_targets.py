"""What a store can hold, and what it must have for it."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crestfall.control._peak_targets import CLOSE_KW, Means
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
    assume(means.is_kept(load[1:], caps[1:], store["ceiling_kwh"], 1))
    needed = float(means.needed_kwh(load, caps)[0])
    assert means.is_kept(load[1:], caps[1:], needed + 1e-6, 1)
    if needed > 1e-3:
        assert not means.is_kept(load[1:], caps[1:], needed - 1e-3, 1)


@settings(max_examples=20)
@given(load=rows(N, 0, 200), store=stores(), beside=st.floats(50, 200))
def test_caps_of_days_are_those_of_each_day_alone(load, store, beside):
    """Two days of five steps; what lies before them is not looked at."""
    means, limit = means_of(**store), np.full(N, beside)
    caps = means.daily_caps_kw(load, np.ones(N, dtype=bool), limit, 0, 5)
    full, zeros = float(store["ceiling_kwh"]), np.zeros(5)
    alone = [means.least_raise_kw(load[a : a + 5], zeros, full, a, limit[:5]) for a in (2, 7)]
    np.testing.assert_allclose(caps, np.maximum(alone, [np.mean(load[2:7]), np.mean(load[7:])]), rtol=1e-12)
    again = means.daily_caps_kw(load, np.ones(N, dtype=bool), limit, 0, 5, caps)
    np.testing.assert_allclose(again, caps, atol=CLOSE_KW)
