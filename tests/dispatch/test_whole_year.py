"""A whole year in quarter hours."""

import numpy as np

from crestfall.dispatch import Status, idle_schedule, optimise
from small_problems import peak_over, small_problem

N_STEPS = 35_040


def test_whole_year_of_quarter_hours_is_proven_optimal():
    """Twelve equal months with a billed peak each, prices by the time of day, PV, standing losses, a periodic end."""
    draw = np.random.default_rng(2025)
    hour = np.arange(N_STEPS) % 96 / 4
    load = 200 + 120 * np.exp(-(((hour - 11) / 4) ** 2)) + draw.gamma(2.0, 15.0, N_STEPS)
    months = np.array_split(np.arange(N_STEPS), 12)
    problem = small_problem(
        N_STEPS,
        step_h=0.25,
        load_kw=load,
        pv_kw=np.maximum(0, 250 * np.cos((hour - 12.5) / 12 * np.pi)) * draw.uniform(0.1, 1.0, 365).repeat(96),
        auxiliary_kw=1.0,
        buy_per_kwh=np.where((hour >= 17) & (hour < 21), 0.32, np.where(hour < 6, 0.14, 0.21)),
        sell_per_kwh=0.06,
        keep_frac=0.999995,
        floor_kwh=20.0,
        wear_per_kwh=0.01,
        peaks=tuple(peak_over(*steps, rate=11.0, name=f"Month {number}") for number, steps in enumerate(months)),
    )
    schedule = optimise(problem)
    assert schedule.status is Status.OPTIMAL
    assert schedule.gap_frac(idle_schedule(problem).objective) <= 1e-6  # the gap that every study has to prove
    assert schedule.objective < idle_schedule(problem).objective
