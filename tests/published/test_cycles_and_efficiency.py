"""Cycle counts, efficiencies and payback against standards, published definitions and worked examples."""

from collections import Counter

import numpy as np
import pytest

from crestfall.ageing import BatteryUse, battery_use
from crestfall.dispatch import Schedule, Status, optimise
from crestfall.finance import simple_payback_years
from crestfall.plant import Converter
from crestfall.replay import EnergyAccount, replay
from parts import LOSSLESS, around_of, plant_with, series_of
from small_problems import trading

# ASTM E1049-85, section 5.4.4, rainflow counting: the standard's own series and its table of counts,
# as restated at https://github.com/iamlikeme/rainflow/issues/4.
ASTM_SERIES = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
ASTM_COUNTS = {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
# The same loop started and closed at its highest peak, repeating history (from memory: 5.4.5): only closed cycles.
REPEATING_SERIES = [5, -1, 3, -4, 4, -2, 1, -3, 5]
REPEATING_COUNTS = {3: 1.0, 4: 1.0, 7: 1.0, 9: 1.0}
# The series on the page of the package `rainflow`, https://pypi.org/project/rainflow/3.1.0, with its ten ranges.
TIME = 4 * np.arange(201) / 200
WAVE_SERIES = 0.2 + 0.5 * np.sin(TIME) + 0.2 * np.cos(10 * TIME) + 0.2 * np.sin(4 * TIME)
WAVE_COUNTS = {
    0.04258965150708488: 0.5,
    0.10973439445727551: 1.0,
    0.11294628078612906: 0.5,
    0.2057106991158965: 1.0,
    0.21467990941625242: 1.0,
    0.4388985979776988: 1.0,
    0.48305748051348263: 0.5,
    0.5286423866535466: 0.5,
    0.7809330293159786: 0.5,
    1.4343610172143002: 0.5,
}
ROUNDING = 1e-12  # differences and means of numbers near 1


def use_of(series) -> BatteryUse:
    """Count a series as the state of charge of a battery of 1 kWh."""
    falls = -np.minimum(np.diff(series), 0).sum()
    return battery_use(
        np.asarray(series[1:], float), start_kwh=float(series[0]), out_of_store_kwh=float(falls), nominal_kwh=1.0
    )


def counts_by_range(use: BatteryUse) -> dict[float, float]:
    counts: Counter[float] = Counter()
    for depth, count in zip(use.depths_frac, use.counts, strict=True):
        counts[round(float(depth), 12)] += float(count)
    return dict(sorted(counts.items()))


@pytest.mark.parametrize(
    ("series", "counts"),
    [
        pytest.param(ASTM_SERIES, ASTM_COUNTS, id="ASTM E1049-85 5.4.4"),
        pytest.param(REPEATING_SERIES, REPEATING_COUNTS, id="ASTM E1049-85, closed at its peak"),
        pytest.param(WAVE_SERIES, WAVE_COUNTS, id="page of the package rainflow"),
        pytest.param([0.5, 0.9, 0.1, 0.9, 0.5], {0.4: 1.0, 0.8: 1.0}, id="by hand: one wave around the middle"),
    ],
)
def test_rainflow_counts_agree_with_the_published_table(series, counts):
    found = counts_by_range(use_of(series))
    assert list(found) == pytest.approx(list(counts), abs=ROUNDING)
    assert list(found.values()) == list(counts.values())


@pytest.mark.parametrize(
    ("series", "cycles"),
    [
        pytest.param(
            ASTM_SERIES,
            [(3, -0.5, 0.5), (4, -1, 0.5), (4, 1, 1), (8, 1, 0.5), (9, 0.5, 0.5), (8, 0, 0.5), (6, 1, 0.5)],
            id="ASTM E1049-85 5.4.4, means worked from its steps",
        ),
        pytest.param(
            [0.5, 0.8, 0.6, 0.9, 0.2, 0.4, 0.3, 0.5],
            [(0.2, 0.7, 1), (0.4, 0.7, 0.5), (0.1, 0.35, 1), (0.7, 0.55, 0.5), (0.3, 0.35, 0.5)],
            id="by hand: two closed cycles inside three halves",
        ),
    ],
)
def test_each_rainflow_cycle_has_its_range_mean_and_count(series, cycles):
    use = use_of(series)
    found = zip(use.depths_frac, use.mean_soc_frac, use.counts, strict=True)
    for one, expected in zip(sorted(found), sorted(cycles), strict=True):
        assert one == pytest.approx(expected, abs=ROUNDING)


@pytest.mark.parametrize(
    ("series", "full_cycles"),
    [
        # https://www.jingsun-power.com/news/how-to-calculate-the-number-of-cycles-of-pv-en-85129670.html
        pytest.param([1.0, 0.7, 1.0, 0.6, 1.0, 0.5, 1.0], 1.2, id="30 % + 40 % + 50 % are 1.2 cycles"),
        pytest.param([1.0, 0.5, 1.0], 0.5, id="50 % alone is half a cycle"),
        pytest.param([0.5, 0.9, 0.1, 0.9, 0.5], 1.2, id="by hand: 0.8 + 0.4 out"),
        pytest.param([0.5, 0.8, 0.6, 0.9, 0.2, 0.4, 0.3, 0.5], 1.0, id="by hand: 0.2 + 0.7 + 0.1 out"),
    ],
)
def test_partial_discharges_add_up_to_equivalent_full_cycles(series, full_cycles):
    assert use_of(series).equivalent_full_cycles == pytest.approx(full_cycles, abs=ROUNDING)


def account_of(plant, charge_kw, discharge_kw, *, start_kwh: float = 0.0) -> EnergyAccount:
    """Replay hourly flows of a battery that stands alone on the grid."""
    charge, discharge = np.array(charge_kw, float), np.array(discharge_kw, float)
    frac_in, frac_out = plant.charge_frac, plant.discharge_frac
    net = plant.standby_kw + charge - discharge
    schedule = Schedule(
        charge_kw=charge,
        discharge_kw=discharge,
        stored_kwh=start_kwh + np.cumsum(charge * frac_in - discharge / frac_out),
        start_kwh=start_kwh,
        curtailed_kw=np.zeros(len(charge)),
        import_kw=np.maximum(net, 0),
        export_kw=np.maximum(-net, 0),
        objective=0.0,
        lower_bound=-np.inf,
        status=Status.RULE,
    )
    series = series_of(np.zeros(len(charge)))
    return replay(plant, series, schedule, around_of(plant, series)).energy


def test_eighty_out_of_hundred_is_a_round_trip_of_eighty_per_cent():
    """https://www.energea.com/glossary/round-trip-efficiency."""
    lossy = plant_with(**{**LOSSLESS, "module_charge_frac": 0.8})
    assert account_of(lossy, [100, 0], [0, 80]).round_trip_frac == pytest.approx(0.8, abs=ROUNDING)


def test_auxiliary_energy_of_a_separate_feed_counts_as_energy_in():
    """220 kWh in, 198 out, 6 for auxiliaries: 198 / 220 = 0.9000 without, 198 / 226 = 0.8761 with them.

    That boundaries with and without cooling, controls and standby give different numbers, and that a cycle must end
    as full as it began: https://atlasofengineering.com/energy-engineering/round-trip-efficiency/.
    """
    plant = plant_with(**{**LOSSLESS, "module_charge_frac": 0.9, "standby_kw": 1.0})
    account = account_of(plant, [80, 80, 60, 0, 0, 0], [0, 0, 0, 66, 66, 66])
    assert account.auxiliary_kwh == pytest.approx(6.0, abs=ROUNDING)
    assert account.change_in_store_kwh == pytest.approx(0.0, abs=1e-10)  # rounding of 200 kWh
    assert account.round_trip_frac == pytest.approx(0.9, abs=ROUNDING)
    assert account.round_trip_with_auxiliaries_frac == pytest.approx(198 / 226, abs=ROUNDING)


def test_efficiency_from_meters_is_all_discharge_over_all_charge():
    """Summed discharge over summed charge, as in the field method of the US FEMP:

    https://www.energy.gov/femp/articles/battery-energy-storage-system-evaluation-method. 40 + 50 out of 50 + 60.
    """
    plant = plant_with(**{**LOSSLESS, "module_charge_frac": 0.9})
    account = account_of(plant, [50, 0, 60, 0], [0, 40, 0, 50])
    assert account.round_trip_frac == pytest.approx(90 / 110, abs=ROUNDING)


# One full day of a store of 200 kWh at 0.95 each way, a closed form: 200 out of the store, 190 discharged, 200 / 0.95
# charged. Only the first over 200 agrees with rainflow.
@pytest.fixture(scope="module")
def full_day() -> EnergyAccount:
    plant = plant_with(**{**LOSSLESS, "module_charge_frac": 0.95, "module_discharge_frac": 0.95})
    series = series_of(np.zeros(12))
    return replay(plant, series, optimise(trading([0.10] * 8 + [0.30] * 4)), around_of(plant, series)).energy


@pytest.mark.parametrize(
    ("energy", "cycles"),
    [
        pytest.param("out_of_store_kwh", 1.0, id="energy out of the store: as rainflow"),
        pytest.param("discharged_kwh", 0.95, id="AC energy discharged: 190 / 200"),
        pytest.param("charged_kwh", 1.0526316, id="AC energy charged: 210.526 / 200"),
    ],
)
def test_definitions_of_a_cycle_differ_by_the_losses(full_day, energy, cycles):
    assert getattr(full_day, energy) / 200 == pytest.approx(cycles, rel=0, abs=1e-7)  # seven digits are given


def test_a_full_day_is_one_equivalent_full_cycle_by_both_ways_of_counting(full_day):
    schedule = optimise(trading([0.10] * 8 + [0.30] * 4))
    use = battery_use(schedule.stored_kwh, start_kwh=0.0, out_of_store_kwh=full_day.out_of_store_kwh, nominal_kwh=200.0)
    assert use.equivalent_full_cycles == pytest.approx(1.0, abs=1e-9)  # the solver's vertex, but for rounding
    assert use.depths_frac @ use.counts == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("capital", "saving", "years"),
    [
        pytest.param(100_000.0, 30_000.0, 10 / 3, id="closed form: 100,000 over 30,000 a year"),
        pytest.param(1_000_000.0, 1_000_000.0, 1.0, id="closed form: earned back within the year"),
    ],
)
def test_payback_is_capital_over_a_level_yearly_saving(capital, saving, years):
    """With level savings payback is the quotient: W. R. Murphy, G. McKay, "Energy Management," chapter 3."""
    assert simple_payback_years(capital, saving) == pytest.approx(years, rel=1e-12)


def test_round_trip_of_a_loss_curve_is_energy_out_over_energy_in_of_a_closed_cycle():
    """Energy out over energy in at all connection points, over one cycle that ends as it began (IEC 62933-2-1, from
    memory: the round-trip efficiency of a system, auxiliaries that are fed apart counted as energy in).

    One module of 100 kVA loses 0.4 + 0.006 P + P² / 10,000 kW at P kW; the first term runs in all hours, as it is
    connected. Four hours at P = 50 store 50 - 0.3 - 0.25 = 49.45 kW each. They are given back in four hours at the Q
    for which Q + 0.006 Q + Q² / 10,000 = 49.45, so Q = 5000 (sqrt(1.006² + 4 x 49.45 / 10,000) - 1.006).
    """
    load = np.linspace(0, 1, 201)
    loss = 0.004 + 0.006 * load + 0.01 * load**2
    converter = Converter(
        modules=1,
        rating_kva=100.0,
        load_frac=load,
        charge_loss_frac=loss,
        discharge_loss_frac=loss,
        switches_off=False,
        minimum_load_frac=0.0,
    )
    plant = plant_with(**LOSSLESS, converter=converter, standby_kw=converter.no_load_kw)
    stored = 49.45 * np.array([1.0, 2, 3, 4, 3, 2, 1, 0])
    given = 5000 * (np.sqrt(1.006**2 + 4 * 49.45 / 10_000) - 1.006)
    charge, discharge = np.repeat([50.0, 0.0], 4), np.repeat([0.0, given], 4)
    net = 0.4 + charge - discharge
    schedule = Schedule(
        charge_kw=charge,
        discharge_kw=discharge,
        stored_kwh=stored,
        start_kwh=0.0,
        curtailed_kw=np.zeros(8),
        import_kw=np.maximum(net, 0),
        export_kw=np.maximum(-net, 0),
        objective=0.0,
        lower_bound=-np.inf,
        status=Status.RULE,
    )
    series = series_of(np.zeros(8))
    account = replay(plant, series, schedule, around_of(plant, series)).energy
    assert account.change_in_store_kwh == pytest.approx(0.0, abs=1e-3)
    # The loss curve is kept at 201 points; a chord between them strays by 0.01 / 200² / 4 of the rating at most.
    assert account.round_trip_frac == pytest.approx(given / 50, abs=1e-6)
    assert account.round_trip_with_auxiliaries_frac == pytest.approx(4 * given / (200 + 8 * 0.4), abs=1e-6)
    assert account.export_kwh / account.import_kwh == pytest.approx((given - 0.4) / 50.4, abs=1e-6)
