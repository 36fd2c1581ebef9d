"""Plants, series and rates made of numbers, without files."""

from dataclasses import replace

import numpy as np
import pandas as pd

from billing import tariff_from
from crestfall.plant import Converter, Option, Plant, RackBank
from crestfall.replay import Surroundings
from crestfall.series import SiteSeries
from crestfall.tariff import Rates, rates_on

ONE_RACK = {
    "option": Option(1, 1),
    "cabinets": 1,
    "rating_kva": 100.0,
    "nominal_kwh": 200.0,
    "floor_kwh": 0.0,
    "ceiling_kwh": 200.0,
    "into_limit_kw": 200.0,
    "outof_limit_kw": 200.0,
    "charge_taper": None,
    "discharge_taper": None,
    "self_discharge_per_h": 0.0,
    "standby_kw": 0.0,
    "thermal_c": np.zeros(0),
    "thermal_kw": np.zeros(0),
    "derating_c": np.zeros(0),
    "derating_frac": np.zeros(0),
    "parts_cost": 17_000.0,
}
FRACS = {
    "module_charge_frac": 0.96,
    "module_discharge_frac": 0.95,
    "rack_charge_frac": 0.98,
    "rack_discharge_frac": 0.97,
}
LOSSLESS = dict.fromkeys(FRACS, 1.0)


def plant_with(**changes) -> Plant:
    """Return a plant of 100 kVA and 200 kWh with constant losses in modules and racks, but for the changes."""
    fracs = {name: changes.pop(name, frac) for name, frac in FRACS.items()}
    values = {**ONE_RACK, **changes}
    values.setdefault("converter", constant_converter(values["rating_kva"], fracs))
    values.setdefault(
        "bank",
        RackBank(
            charge_frac=fracs["rack_charge_frac"],
            discharge_frac=fracs["rack_discharge_frac"],
            square_per_kw=0.0,
            cooling_frac=0.0,
        ),
    )
    return Plant(**values)


def constant_converter(rating_kva: float, fracs: dict[str, float]) -> Converter:
    """Return one module whose losses are proportional to its power."""
    load = np.array([0.0, 1.0])
    return Converter(
        modules=1 if rating_kva else 0,
        rating_kva=rating_kva,
        load_frac=load,
        charge_loss_frac=load * (1 - fracs["module_charge_frac"]),
        discharge_loss_frac=load * (1 / fracs["module_discharge_frac"] - 1),
        switches_off=False,
        minimum_load_frac=0.0,
    )


def around_of(plant: Plant, series: SiteSeries, **changes) -> Surroundings:
    """Return what a plant's controller meets at a site without limits but for the changes; one number fills a row."""
    n = series.n_steps
    limit_kw = plant.rating_kva * plant.available_frac(series.temperature_c, n)
    values = {
        "auxiliary_kw": plant.auxiliary_kw(series.temperature_c, n),
        "charge_limit_kw": limit_kw,
        "discharge_limit_kw": limit_kw,
        "export_limit_kw": np.inf,
        "import_target_kw": np.inf,
        **changes,
    }
    return Surroundings(
        **{name: np.broadcast_to(np.asarray(value, dtype=float), n).copy() for name, value in values.items()}
    )


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
    levels = np.unique(buy)
    averaging_min = round(step_h * 60)
    # Each price is a component of its own, so that none of them need say when it holds.
    tariff = tariff_from(
        allow_negative=True,
        billing={"prorate": False},  # a rate costs in a problem of a few days what it says
        energy_charges=[
            {"name": name, "component": name, "rate_per_kwh": level}
            for level in levels.tolist()
            for name in [f"Price {level:g}"]
        ],
        demand_charges=[
            {"name": f"Demand {k}", "rate_per_kw": float(rate), "averaging_min": averaging_min}
            for k, (rate, _) in enumerate(demand)
        ],
        export={"rate_per_kwh": sell_per_kwh},
    )
    rates = rates_on(tariff, steps_from(len(buy), step_h=step_h, first=first), step_h=step_h)
    sheet = rates.sheets[0]
    energy = tuple(
        replace(line, share=(buy == level).astype(float)) for line, level in zip(sheet.energy, levels, strict=True)
    )
    measured = tuple(
        line if at is None else replace(line, measure=replace(line.measure, first=np.unique(at).astype(np.int64)))
        for line, (_, at) in zip(sheet.demand, demand, strict=True)
    )
    return replace(rates, sheets=(replace(sheet, energy=energy, demand=measured),))
