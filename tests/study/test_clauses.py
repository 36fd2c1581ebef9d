"""The optimiser and the bill are written apart; for any flows they must say the same."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.study._clauses import clauses_of
from crestfall.tariff import Readings, bill, rates_on
from small_problems import small_problem
from strategies import tariff_from

AGREES = 1e-6  # of the bill: the solver of the settlement keeps its rows to about 1e-7
START = pd.date_range("2025-01-25", "2025-04-05", freq="h", tz="Europe/Berlin", inclusive="left")
HOUR, WEEKDAY, DAY = START.hour.to_numpy(), START.day_of_week.to_numpy(), np.arange(len(START)) // 24
MOST_KW = 600.0
STORE_KWH = 1e6  # the flows drawn here come from no store, so nothing bounds how low a month can go
EVENING = [{"day_types": ["working"], "times": ["16:00-20:00"]}]
CALENDAR = {
    "seasons": {
        "winter": {"first_day": "11-01", "last_day": "02-28"},
        "summer": {"first_day": "03-01", "last_day": "10-31"},
    },
    "day_types": {"working": {"weekdays": ["mon", "tue", "wed", "thu", "fri"], "on_holidays": "never"}},
}
DEMAND = {"name": "Demand", "rate_per_kw": 7.0, "averaging_min": 60}
ENERGY = {"name": "Energy", "rate_per_kwh": 0.2}


def with_demand(**keys):
    return {"demand_charges": [{**DEMAND, **keys}]}


def with_tiers(*tiers, **keys):
    return {"energy_charges": [{"name": "Energy", "tiers": list(tiers), **keys}]}


CLAUSES = {
    "windows": {
        "energy_charges": [
            {"name": "Evening", "rate_per_kwh": 0.3, "when": EVENING},
            {"name": "Rest", "rate_per_kwh": 0.1},
            {"name": "Grid", "component": "Grid", "rate_per_kwh": 0.04},
        ],
        **with_demand(when=EVENING),
    },
    "daily peak": with_demand(period="day", rate_per_kw=0.3),
    "seasonal peak": with_demand(period="season"),
    "annual peak": with_demand(period="year", rate_per_kw=60.0),
    "two-hour mean": with_demand(averaging_min=60, sliding=True),
    "kVA": {"demand_charges": [{"name": "Demand", "rate_per_kva": 7.0, "averaging_min": 60}]},
    "power factor": with_demand(power_factor_target_frac=0.95),
    "ratchet": with_demand(ratchet={"share_frac": 0.8, "preceding_periods": 3}),
    "ratchet that forgets the current": with_demand(
        ratchet={"share_frac": 1.0, "preceding_periods": 2, "counts_current": False}
    ),
    "ratchet on given winters": with_demand(
        ratchet={
            "share_frac": 0.9,
            "preceding_periods": 5,
            "months": [1, 2],
            "history": [90.0, 80.0, 70.0, 60.0, 480.0],
        }
    ),
    "minimum and free demand": with_demand(minimum_demand=150.0, free_demand=60.0),
    "contract": {
        "capacity_charges": [
            {"name": "Level", "rate_per_kw": 4.0, "averaging_min": 60, "contracted_demand": 180, "excess_rate": 11.0}
        ]
    },
    "chosen contract": {
        "capacity_charges": [
            {"name": "Level", "rate_per_kw": 4.0, "averaging_min": 60, "choose": True, "excess_rate": 11.0}
        ]
    },
    "blocks that get dearer": with_tiers(
        {"upto_kwh": 30_000.0, "rate_per_kwh": 0.1},
        {"upto_kwh": 60_000.0, "rate_per_kwh": 0.15},
        {"rate_per_kwh": 0.25},
    ),
    "blocks that get cheaper": with_tiers(
        {"upto_kwh": 30_000.0, "rate_per_kwh": 0.25}, {"upto_kwh": 60_000.0, "rate_per_kwh": 0.2}, {"rate_per_kwh": 0.1}
    ),
    "blocks of the year": with_tiers(
        {"upto_kwh": 500_000.0, "rate_per_kwh": 0.1}, {"rate_per_kwh": 0.25}, tier_period="year"
    ),
    "hours of use": with_tiers({"upto_hours": 200.0, "rate_per_kwh": 0.2}, {"rate_per_kwh": 0.1}, hours_of="Demand")
    | with_demand(),
    "coincident": {
        "coincident_charges": [
            {"name": "System", "rate_per_kw": 30.0, "times": ["2025-02-03 17:00", "2025-03-04 18:00"]}
        ]
    },
    "events": {
        "event_payments": [
            {
                "name": "Calls",
                "rate_per_kwh": 2.0,
                "events": [
                    {"start": "2025-02-12 17:00", "duration_min": 120},
                    {"start": "2025-03-13 16:00", "duration_min": 180},
                ],
                "baseline": {"days": 5, "highest": 3},
            }
        ]
    },
    "reactive energy": {"reactive_charges": [{"name": "Kvarh", "rate_per_kvarh": 0.05, "free_share_of_kwh": 0.4}]},
    "export": {
        "export": {
            "charges": [
                {"name": "Noon", "rate_per_kwh": 0.02, "when": [{"times": ["10:00-14:00"]}]},
                {"name": "Other", "rate_per_kwh": 0.07},
            ]
        }
    },
    "net metering": {"export": {"net_metering": {"settlement_rate_per_kwh": 0.05}}},
    "net metering by the period": {"export": {"net_metering": {"carry_over": False, "settlement_rate_per_kwh": 0.05}}},
    "net-metered blocks": with_tiers({"upto_kwh": 9_000.0, "rate_per_kwh": 0.1}, {"rate_per_kwh": 0.3})
    | {"export": {"net_metering": {"settlement_rate_per_kwh": 0.02}}},
    "fixed and minimum": {
        "fixed_charges": [
            {"name": "Meter", "amount_per_day": 2.0, "meters": 2},
            {"name": "Net", "amount_per_year": 900.0},
        ],
        "minimum_bill": {"amount_per_month": 9_000.0, "on": ["energy", "demand", "fixed"]},
        **with_demand(free_demand=20.0),
    },
    "surcharges": {
        "surcharges": [
            {"name": "Levy", "share_frac": 0.05, "on": ["energy", "Demand"]},
            {"name": "Discount", "share_frac": -0.1, "on": ["demand"]},
            {"name": "Tax", "share_frac": 0.2, "on": ["all"]},
        ],
        **with_demand(),
    },
    "seasonal demand cut by a reading day": {
        "billing": {"reading_day": 12},
        "demand_charges": [
            {**DEMAND, "when": [{"seasons": ["winter"]}]},
            {**DEMAND, "name": "Summer demand", "when": [{"seasons": ["summer"]}]},
        ],
        "reactive_charges": [{"name": "Kvarh", "rate_per_kvarh": 0.05, "free_share_of_kwh": 0.4}],
    },
    "reading day": {"billing": {"reading_day": 12, "standard_days": 30}, **with_demand()},
}


def tariff_with(*names):
    keys = {"energy_charges": [ENERGY], **CALENDAR}
    for name in names:
        keys |= CLAUSES[name]
    return tariff_from(**keys)


@st.composite
def sites(draw):
    """Draw readings without and with a battery: a load with a day's shape, a little PV, and any other flows."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    load = draw(st.floats(20, 200)) * (1 + 0.5 * np.sin(HOUR / 24 * 2 * np.pi) * (WEEKDAY < 5)) + rng.uniform(
        0, 80, len(START)
    )
    net = load - draw(st.floats(0, 300)) * np.clip(np.sin((HOUR - 6) / 12 * np.pi), 0, None)
    other = net + rng.uniform(-100, 100, len(START)) * (DAY % draw(st.integers(1, 9)) == 0)
    kvar = rng.uniform(0, 150, len(START))
    return [Readings(import_kw=np.maximum(flow, 0), export_kw=np.maximum(-flow, 0), kvar=kvar) for flow in (net, other)]


def seen_cost(rates, before, readings):
    """What the optimiser sees of given flows."""
    clauses = clauses_of(rates, before, most_import_kw=np.full(len(START), MOST_KW), least_energy_kwh=STORE_KWH)
    writer, n = clauses.writer, len(START)
    problem = replace(
        small_problem(n),
        buy_per_kwh=clauses.buy_per_kwh,
        sell_per_kwh=clauses.sell_per_kwh,
        peaks=tuple(writer.peaks),
        sums=tuple(writer.sums),
        settlement=writer.settlement(),
        fixed_cost=clauses.fixed_cost,
    )
    return problem.running_cost(import_kw=readings.import_kw, export_kw=readings.export_kw, discharge_kw=np.zeros(n))


@pytest.mark.parametrize("name", CLAUSES)
@settings(max_examples=4)
@given(site=sites())
def test_the_optimiser_sees_each_clause_as_the_bill_has_it(name, site):
    before, readings = site
    rates = rates_on(tariff_with(name), START, step_h=1.0)
    expected = bill(rates, readings, before=before)["amount"].sum()
    assert seen_cost(rates, before, readings) == pytest.approx(expected, rel=AGREES)


PLAIN = [
    name for name in CLAUSES if "block" not in name and "net" not in name and name not in ("hours of use", "export")
]


@settings(max_examples=25)
@given(site=sites(), names=st.lists(st.sampled_from(PLAIN), min_size=2, max_size=4, unique=True))
def test_the_optimiser_sees_several_clauses_as_the_bill_has_them(site, names):
    before, readings = site
    rates = rates_on(tariff_with(*names, "surcharges"), START, step_h=1.0)
    expected = bill(rates, readings, before=before)["amount"].sum()
    assert seen_cost(rates, before, readings) == pytest.approx(expected, rel=AGREES)
