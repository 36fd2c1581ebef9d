"""Random whole years: the exact way against the general solver. CRESTFALL_RANDOM_YEARS=30 runs so many, not one."""

import os

import numpy as np
import pytest

from crestfall.dispatch import Problem, check_feasible, optimise
from crestfall.plant import Segment
from small_problems import peak_over, small_problem

N_STEPS = 35_040
# The general solver's rows and reduced costs are good to 1e-7, over 35,040 steps of some 100 kW.
AGREES = 1e-7


def random_year(seed: int) -> Problem:
    """Return a year of quarter hours with prices, peaks, losses, limits and PV drawn at random."""
    draw = np.random.default_rng(seed)
    hour, day = np.arange(N_STEPS) % 96 / 4, np.arange(N_STEPS) // 96
    load = draw.uniform(50, 200) * (1 + 0.6 * np.exp(-(((hour - draw.uniform(8, 18)) / 3) ** 2)) * (day % 7 < 5))
    load += draw.gamma(2.0, draw.uniform(1, 20), N_STEPS)
    sun = np.maximum(0, np.sin((hour - 6) / 12 * np.pi)) * draw.uniform(0.1, 1, 365).repeat(96)
    buy = draw.uniform(0.1, 0.2) + draw.uniform(0, 0.2) * (abs(hour - 18) < 2)
    buy = buy + draw.choice([0.0, 0.05]) * draw.random(N_STEPS)
    kw, hours, keep = draw.uniform(20, 150), draw.uniform(0.5, 4), draw.choice([1.0, 0.999_99])
    months = np.array_split(np.arange(N_STEPS), 12)
    evenings = [month[(hour[month] >= 16) & (hour[month] < 20)] for month in months]
    peaks = [peak_over(*steps, rate=draw.uniform(2, 15), name=f"Month {k}") for k, steps in enumerate(months)]
    peaks += [peak_over(*steps, rate=draw.uniform(2, 15), name=f"Evening {k}") for k, steps in enumerate(evenings)]
    curved = draw.random() < 0.5
    widths, fracs = (0.3 * kw, 0.7 * kw), (0.97, 0.94)
    segments = tuple(Segment(w, f, 0.01) for w, f in zip(widths, fracs, strict=True)) if curved else ()
    return small_problem(
        N_STEPS,
        step_h=0.25,
        load_kw=load,
        pv_kw=draw.uniform(0, 200) * sun,
        auxiliary_kw=draw.uniform(0, 2),
        buy_per_kwh=buy,
        sell_per_kwh=np.minimum(0.06, buy),
        charge_limit_kw=kw,
        discharge_limit_kw=kw,
        charge_segments=segments,
        discharge_segments=segments,
        keep_frac=keep,
        floor_kwh=0.1 * kw * hours,
        ceiling_kwh=kw * hours,
        wear_per_kwh=draw.uniform(0, 0.03),
        peaks=tuple(peaks) if draw.random() < 0.8 else (),
    )


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(int(os.environ.get("CRESTFALL_RANDOM_YEARS", "1"))))
def test_random_year_costs_what_the_general_solver_says(seed):
    problem = random_year(seed)
    exact, general = optimise(problem, solver="exact", gap_frac=1e-9), optimise(problem, solver="lp")
    check_feasible(problem, exact)
    scale = max(1.0, abs(general.objective))
    assert abs(exact.objective - general.objective) <= AGREES * scale
    assert exact.lower_bound <= general.objective + AGREES * scale
    assert exact.objective - exact.lower_bound <= AGREES * scale
