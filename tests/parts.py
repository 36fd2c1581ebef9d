"""Plants, series and rates made of numbers, without files."""

import numpy as np
import pandas as pd

from crestfall.plant import Option, Plant
from crestfall.series import SiteSeries
from crestfall.tariff import DemandRate, Rates

ONE_RACK = {
    "option": Option(1, 1),
    "cabinets": 1,
    "rating_kva": 100.0,
    "nominal_kwh": 200.0,
    "floor_kwh": 0.0,
    "ceiling_kwh": 200.0,
    "into_limit_kw": 200.0,
    "outof_limit_kw": 200.0,
    "module_charge_frac": 0.96,
    "module_discharge_frac": 0.95,
    "rack_charge_frac": 0.98,
    "rack_discharge_frac": 0.97,
    "self_discharge_per_h": 0.0,
    "auxiliary_kw": 0.0,
    "parts_cost": 17_000.0,
}
LOSSLESS = dict.fromkeys(
    ("module_charge_frac", "module_discharge_frac", "rack_charge_frac", "rack_discharge_frac"), 1.0
)


def plant_with(**changes) -> Plant:
    """Return a plant of 100 kVA and 200 kWh with losses in modules and racks, but for the changes."""
    return Plant(**{**ONE_RACK, **changes})


def steps_from(n_steps: int, *, step_h: float = 1.0, first: str = "2025-01-01") -> pd.DatetimeIndex:
    """Return equal steps from a local midnight."""
    return pd.date_range(first, periods=n_steps, freq=pd.Timedelta(hours=step_h), tz="Europe/Berlin")


def series_of(load_kw, *, pv_kw=0.0, step_h: float = 1.0) -> SiteSeries:
    """Return interval data of a load and perhaps PV."""
    load = np.asarray(load_kw, dtype=float)
    return SiteSeries(
        start=steps_from(len(load), step_h=step_h),
        step_h=step_h,
        load_kw=load,
        pv_kw=np.broadcast_to(np.asarray(pv_kw, dtype=float), load.shape).copy(),
        temperature_c=None,
    )


def rates_of(
    buy_per_kwh, *, sell_per_kwh: float = 0.0, demand=(), step_h: float = 1.0, first: str = "2025-01-01"
) -> Rates:
    """Return rates with a price for each step; `demand` holds pairs of a rate per kW and the steps it measures."""
    buy = np.asarray(buy_per_kwh, dtype=float)
    start = steps_from(len(buy), step_h=step_h, first=first)
    levels, line = np.unique(buy, return_inverse=True)
    month = start.year.to_numpy() * 12 + start.month.to_numpy()
    return Rates(
        start=start,
        step_h=step_h,
        period=(month - month[0]).astype(np.int64),
        period_names=tuple(f"M{number}" for number in range(month[-1] - month[0] + 1)),
        energy_line=line.astype(np.int64),
        energy_names=tuple(f"Price {level:g}" for level in levels),
        energy_rates_per_kwh=levels,
        sell_per_kwh=np.full(len(buy), sell_per_kwh),
        demand=tuple(
            DemandRate(
                name=f"Demand {k}",
                rate_per_kw=float(rate),
                measured=np.ones(len(buy), dtype=bool) if steps is None else np.isin(np.arange(len(buy)), steps),
            )
            for k, (rate, steps) in enumerate(demand)
        ),
        fixed_per_period=(),
    )
