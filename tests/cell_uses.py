"""Uses of cells made of numbers, and one law of each kind."""

import numpy as np
from hypothesis import strategies as st

from crestfall.ageing import (
    CellUse,
    CycleAndYearLaw,
    CycleCount,
    CycleTableLaw,
    HealthByYearLaw,
    LfpLaw,
    LfpPowerLaw,
    cell_use,
)

NOMINAL_KWH = 100.0
TABLE = CycleTableLaw(
    depths_frac=np.array([0.2, 0.5, 1.0]),
    cycles=np.array([40_000.0, 12_000.0, 5000.0]),
    end_health_frac=0.7,
    calendar_loss_frac_per_year=0.01,
)
PER_CYCLE = CycleAndYearLaw(loss_frac_per_full_cycle=4e-5, calendar_loss_frac_per_year=0.012)
CURVE = HealthByYearLaw(years=np.array([0.0, 1.0, 10.0]), health_frac=np.array([1.0, 0.96, 0.7]))
POWER = LfpPowerLaw(calendar_loss_frac_per_year=0.008)
LAWS = {
    "cycle table": TABLE,
    "LFP calendar and cycle": LfpLaw(),
    "LFP power of charge": POWER,
    "per cycle and year": PER_CYCLE,
    "curve of health": CURVE,
}

levels = st.lists(st.integers(0, 100), min_size=2, max_size=40)


def used(
    stored_kwh,
    *,
    start_kwh: float = 0.0,
    step_h: float = 1.0,
    cell_c=25.0,
    count: CycleCount | None = None,
    nominal_kwh: float = NOMINAL_KWH,
    capacity_kwh: float = NOMINAL_KWH,
) -> tuple[CellUse, CycleCount]:
    """Return the use of cells whose energy falls only by being taken out."""
    stored = np.asarray(stored_kwh, dtype=float)
    return cell_use(
        CycleCount() if count is None else count,
        stored,
        start_kwh=start_kwh,
        step_h=step_h,
        out_of_store_kwh=float(-np.minimum(np.diff(stored, prepend=start_kwh), 0).sum()),
        nominal_kwh=nominal_kwh,
        capacity_kwh=capacity_kwh,
        cell_c=np.broadcast_to(np.asarray(cell_c, dtype=float), stored.shape),
    )


def busy_year(seed: int = 7, *, step_h: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Return stored energy and cell temperature of a year in which the store wanders, with rests."""
    random = np.random.default_rng(seed)
    n = round(8760 / step_h)
    moves = random.choice([0.0, 1.0], size=n, p=[0.4, 0.6]) * random.normal(0, 18, size=n)
    stored = np.empty(n)
    level = 50.0
    for place, move in enumerate(moves):
        level = stored[place] = min(96.0, max(6.0, level + move))
    cell_c = 22 + 9 * np.sin(np.linspace(0, 2 * np.pi, n)) + random.normal(0, 2, size=n)
    return stored, cell_c


def daily_year(cycles_per_day: int = 1, *, depth_kwh: float = 80.0) -> np.ndarray:
    """Return the stored energy of a year of equal cycles between 10 kWh and that much more, 24 steps a day."""
    half = 12 // cycles_per_day
    up = np.linspace(0, 1, half + 1)[1:]
    return 10 + depth_kwh * np.tile(np.concatenate([up, 1 - up]), 365 * cycles_per_day)
