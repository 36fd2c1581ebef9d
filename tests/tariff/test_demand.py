"""Demand: how it is averaged, over what the peak is taken, and what is billed of it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, at_hours, billed, column, laid, readings_of, steps, tariff_from, total

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
JUNE = steps("2025-06-01", "2025-07-01")
QUARTERS = steps("2025-06-01", "2025-07-01", step_min=15)
YEAR = steps()
SEASONS = {
    "summer": {"first_day": "04-01", "last_day": "09-30"},
    "winter": {"first_day": "10-01", "last_day": "03-31"},
}


def demand(*, unit="kw", rate=1.0, averaging_min=60, **keys):
    return {"name": "Peak", f"rate_per_{unit}": rate, "averaging_min": averaging_min, **keys}


def with_demand(*, tariff_keys=(), **keys):
    return tariff_from(demand_charges=[demand(**keys)], **dict(tariff_keys))


def monthly(peaks):
    """A year of hourly import with the given peak in each month, each on the tenth at noon."""
    import_kw = np.zeros(len(YEAR))
    for month, peak in enumerate(peaks, start=1):
        import_kw[(YEAR.month == month) & (YEAR.day == 10) & (YEAR.hour == 12)] = peak
    return import_kw


QUARTER_PEAK = at_hours(QUARTERS, {"2025-06-10 12:15": 40.0, "2025-06-10 12:30": 80.0})


@pytest.mark.parametrize(
    ("averaging_min", "sliding", "peak"),
    [
        pytest.param(15, False, 80.0, id="quarter hours"),
        pytest.param(30, False, 40.0, id="half hours by the clock"),
        pytest.param(30, True, 60.0, id="sliding half hours"),
        pytest.param(60, False, 30.0, id="hours by the clock"),
        pytest.param(60, True, 30.0, id="sliding hours"),
    ],
)
def test_demand_is_averaged_over_intervals_of_the_data(averaging_min, sliding, peak):
    tariff = with_demand(averaging_min=averaging_min, sliding=sliding)
    assert column(billed(tariff, QUARTERS, QUARTER_PEAK), "Peak") == [peak]


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32 - 1), averaging_min=st.sampled_from([15, 30, 60]))
def test_a_sliding_peak_is_never_below_that_of_the_clock(seed, averaging_min):
    import_kw = np.random.default_rng(seed).uniform(0, 100, len(QUARTERS))
    block, sliding = (
        column(billed(with_demand(averaging_min=averaging_min, sliding=slides), QUARTERS, import_kw), "Peak")[0]
        for slides in (False, True)
    )
    span = averaging_min // 15
    means = np.lib.stride_tricks.sliding_window_view(import_kw, span).mean(axis=1)
    assert sliding == pytest.approx(means.max(), rel=FLOAT_SUM)
    assert block == pytest.approx(means[::span].max(), rel=FLOAT_SUM)
    assert block <= sliding


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Sydney"])
def test_intervals_follow_the_clock_on_both_sides_of_a_change(zone):
    start = steps(zone=zone, step_min=15)
    measure = billed_measure(with_demand(averaging_min=60), start)
    assert set(start[measure.first].minute) == {0}
    assert len(measure.first) == 8760


def billed_measure(tariff, start):
    return laid(tariff, start).sheets[0].demand[0].measure


@pytest.mark.parametrize(
    ("sliding", "peak"), [pytest.param(False, 30.0, id="clock"), pytest.param(True, 30.0, id="sliding")]
)
def test_an_interval_counts_only_if_it_lies_in_the_window(sliding, peak):
    # 12:15 to 12:45 has 60 kW on average, but only 12:30 to 13:00 and later lie in the window.
    import_kw = at_hours(QUARTERS, {"2025-06-10 12:15": 90.0, "2025-06-10 12:30": 60.0})
    tariff = with_demand(averaging_min=30, sliding=sliding, when=[{"times": ["12:30-16:00"]}])
    assert column(billed(tariff, QUARTERS, import_kw), "Peak") == [peak]


def test_a_window_that_cuts_a_step_measures_all_of_it():
    import_kw = at_hours(JUNE, {"2025-06-10 11:00": 9.0, "2025-06-10 12:00": 5.0, "2025-06-10 13:00": 9.0})
    tariff = with_demand(tariff_keys={"split_steps": True}, when=[{"times": ["12:10-12:50"]}])
    assert column(billed(tariff, JUNE, import_kw), "Peak") == [5.0]


def test_a_kva_demand_is_the_highest_apparent_power_and_not_that_of_the_highest_kw():
    import_kw = at_hours(JUNE, {"2025-06-10 12:00": 40.0, "2025-06-11 12:00": 30.0})
    kvar = at_hours(JUNE, {"2025-06-11 12:00": 40.0})
    table = billed(with_demand(unit="kva"), JUNE, import_kw, kvar=kvar)
    assert column(table, "Peak") == [50.0]
    assert column(table, "Peak", "unit") == ["kVA"]


def test_kva_over_an_interval_are_taken_from_the_means_of_kw_and_kvar():
    import_kw = at_hours(QUARTERS, {"2025-06-10 12:00": 60.0})
    kvar = at_hours(QUARTERS, {"2025-06-10 12:15": 80.0})
    assert column(billed(with_demand(unit="kva", averaging_min=30), QUARTERS, import_kw, kvar=kvar), "Peak") == [50.0]


def test_kva_without_reactive_power_are_refused():
    with pytest.raises(ValueError, match="give kvar"):
        billed(with_demand(unit="kva"), JUNE, 1.0)


def test_leading_reactive_power_counts_in_kva_as_lagging_does():
    found = [column(billed(with_demand(unit="kva"), JUNE, 30.0, kvar=kvar), "Peak") for kvar in (40.0, -40.0)]
    assert found == [[50.0], [50.0]]


def test_daily_peaks_are_summed_over_the_month():
    import_kw = JUNE.day.to_numpy() * 1.0 * (JUNE.hour == 12)
    table = billed(with_demand(rate=2.0, period="day"), JUNE, import_kw)
    assert column(table, "Peak") == [sum(range(31))]
    assert column(table, "Peak", "unit") == ["kW day"]
    assert column(table, "Peak", "amount") == [930.0]


def test_daily_peaks_in_a_window_on_working_days_leave_the_weekend_out():
    keys = {"day_types": {"working": {"weekdays": ["mon", "tue", "wed", "thu", "fri"], "on_holidays": "never"}}}
    when = [{"day_types": ["working"], "times": ["08:00-20:00"]}]
    table = billed(with_demand(tariff_keys=keys, period="day", when=when), JUNE, 1.0)
    assert column(table, "Peak") == [21]


def test_the_free_part_and_the_minimum_hold_for_each_daily_peak():
    import_kw = np.where(JUNE.day == 10, 9.0, 1.0)
    table = billed(with_demand(period="day", free_demand=2, minimum_demand=3), JUNE, import_kw)
    assert column(table, "Peak") == [29 * (3 - 2) + (9 - 2)]


def test_each_occurrence_of_a_season_has_its_peak():
    tariff = with_demand(tariff_keys={"seasons": SEASONS}, period="season")
    table = billed(tariff, YEAR, monthly([5, 1, 1, 1, 1, 1, 1, 7, 1, 1, 1, 6]))
    found = dict(zip(column(table, "Peak", "period"), column(table, "Peak"), strict=True))
    assert found == {"winter 2024/25": 5, "summer 2025": 7, "winter 2025/26": 6}


def test_part_of_a_season_costs_its_share_of_days():
    tariff = with_demand(tariff_keys={"seasons": SEASONS}, period="season", rate=182.0)
    table = billed(tariff, YEAR, 1.0)
    assert column(table, "Peak", "amount") == pytest.approx([90.0, 182.0, 92.0], abs=FLOAT_SUM)


def test_the_peak_of_a_year_is_billed_once():
    table = billed(with_demand(rate=50.0, period="year"), YEAR, monthly(range(1, 13)))
    assert column(table, "Peak") == [12]
    assert column(table, "Peak", "period") == ["2025"]
    assert column(table, "Peak", "amount") == [600.0]


def test_a_rate_per_day_is_due_for_each_day_of_the_month():
    table = billed(with_demand(rate=0.1, per_day=True), steps("2025-01-01", "2025-03-01"), 10.0)
    assert column(table, "Peak", "amount") == pytest.approx([31.0, 28.0], abs=FLOAT_SUM)


def test_demand_is_billed_at_its_minimum_or_more():
    assert column(billed(with_demand(minimum_demand=50), YEAR, monthly([80, 20] * 6)), "Peak") == [80, 50] * 6


def test_the_free_part_of_demand_is_taken_off_and_never_paid_back():
    assert column(billed(with_demand(free_demand=50), YEAR, monthly([80, 20] * 6)), "Peak") == [30, 0] * 6


@pytest.mark.parametrize(
    ("kvar", "billed_kw"),
    [
        pytest.param(60.0, 90.0, id="power factor of 0.8"),
        pytest.param(0.0, 80.0, id="unity"),
        pytest.param(80.0 * 0.48, 80.0, id="just above the target"),
    ],
)
def test_below_the_target_of_the_power_factor_more_kw_are_billed(kvar, billed_kw):
    # 80 kW and 60 kvar are 100 kVA; 80 * 0.9 / 0.8 = 90. At 0.9 there are 0.4843 kvar to a kW.
    table = billed(with_demand(power_factor_target_frac=0.9), JUNE, 80.0, kvar=kvar)
    assert column(table, "Peak") == pytest.approx([billed_kw], abs=FLOAT_SUM)


def ratchet(**keys):
    return {"ratchet": {"share_frac": 0.8, **keys}}


@pytest.mark.parametrize(
    ("keys", "peaks", "billed_kw"),
    [
        pytest.param(
            {"preceding_periods": 2, "history": [0, 0]},
            [100, 10, 10, 10, 50, *[10] * 7],
            [100, 80, 80, 10, 50, 40, 40, *[10] * 5],
            id="the two months before",
        ),
        pytest.param(
            {"preceding_periods": 2, "history": [100, 0]},
            [10] * 12,
            [80, *[10] * 11],
            id="the oldest month of the history",
        ),
        pytest.param(
            {"preceding_periods": 2, "history": [0, 100]},
            [10] * 12,
            [80, 80, *[10] * 10],
            id="the latest month of the history",
        ),
        pytest.param(
            {"preceding_periods": 2, "history": [900, 0, 100]},
            [10] * 12,
            [80, 80, *[10] * 10],
            id="a history that is longer than needed",
        ),
        pytest.param(
            {"preceding_periods": 3, "history": [0, 0, 0], "months": [2, 3]},
            [100, 50, 10, 10, 90, *[10] * 7],
            [100, 50, 40, 40, 90, 10, *[10] * 6],
            id="only February and March count",
        ),
        pytest.param(
            {"preceding_periods": 3, "history": [100, 0, 0], "months": [10]},
            [10] * 12,
            [80, *[10] * 11],
            id="the history of October counts",
        ),
        pytest.param(
            {"preceding_periods": 1, "history": [20], "counts_current": False},
            [100, 10, *[10] * 10],
            [16, 80, *[8] * 10],
            id="the month itself does not count",
        ),
        pytest.param(
            {"preceding_periods": 2},
            [10, 10, *[10] * 8, 100, 50],
            [80, 40, *[10] * 8, 100, 80],
            id="without a history the same year came before",
        ),
    ],
)
def test_a_ratchet_remembers_earlier_peaks(keys, peaks, billed_kw):
    table = billed(with_demand(**ratchet(**keys)), YEAR, monthly(peaks))
    assert column(table, "Peak") == pytest.approx(billed_kw, abs=FLOAT_SUM)


def test_a_ratchet_looks_back_at_the_year_before_with_which_the_bill_is_made():
    tariff = with_demand(**ratchet(preceding_periods=1))
    before = readings_of(YEAR, monthly([10] * 11 + [100]))
    earlier = readings_of(YEAR, monthly([10] * 11 + [200]))
    this = monthly([10] * 12)
    assert column(billed(tariff, YEAR, this, before=before), "Peak")[:2] == [80, 10]
    assert column(billed(tariff, YEAR, this, before=before, last_year=earlier), "Peak")[:2] == [160, 10]


def test_a_ratchet_remembers_measured_and_not_billed_peaks():
    # What a ratchet made of a month is no peak of its own, so a single month is forgotten after one.
    table = billed(with_demand(**ratchet(preceding_periods=1, history=[0])), YEAR, monthly([100, *[10] * 11]))
    assert column(table, "Peak")[:4] == [100, 80, 10, 10]


def test_a_ratchet_of_seasons_looks_at_earlier_seasons():
    tariff = with_demand(tariff_keys={"seasons": SEASONS}, period="season", **ratchet(preceding_periods=1, history=[0]))
    assert column(billed(tariff, YEAR, monthly([100, *[10] * 11])), "Peak") == [100, 80, 10]


@settings(max_examples=30)
@given(
    seed=st.integers(0, 2**32 - 1),
    share_frac=st.floats(0.05, 1),
    preceding=st.integers(1, 12),
    months=st.none() | st.lists(st.integers(1, 12), min_size=1, unique=True),
    given_history=st.booleans(),
)
def test_billed_demand_never_falls_when_a_ratchet_is_added(seed, share_frac, preceding, months, given_history):
    chance = np.random.default_rng(seed)
    import_kw = monthly(chance.uniform(0, 100, 12))
    keys = {"share_frac": share_frac, "preceding_periods": preceding, "months": months}
    keys |= {"history": chance.uniform(0, 100, preceding).tolist()} if given_history else {}
    without = column(billed(with_demand(), YEAR, import_kw), "Peak")
    with_memory = column(billed(with_demand(ratchet=keys), YEAR, import_kw), "Peak")
    assert all(a <= b for a, b in zip(without, with_memory, strict=True))


@settings(max_examples=30)
@given(
    peaks=st.lists(st.integers(0, 100), min_size=12, max_size=12),
    before=st.lists(st.integers(0, 100), min_size=12, max_size=12),
    preceding=st.integers(1, 12),
    months=st.none() | st.sets(st.integers(1, 12), min_size=1).map(sorted),
    counts_current=st.booleans(),
)
def test_a_ratchet_bills_what_a_loop_over_the_months_says(peaks, before, preceding, months, counts_current):
    keys = {"share_frac": 0.5, "preceding_periods": preceding, "months": months, "counts_current": counts_current}
    table = billed(with_demand(ratchet={**keys, "history": before}), YEAR, monthly(peaks))
    expected = []
    for month in range(12):
        earlier = [
            (before + peaks)[12 + month - back]
            for back in range(1, preceding + 1)
            if months is None or (month - back) % 12 + 1 in months
        ]
        expected.append(max(peaks[month] if counts_current else 0, 0.5 * max(earlier, default=0)))
    assert column(table, "Peak") == pytest.approx(expected, abs=FLOAT_SUM)


def test_two_charges_on_the_same_peak_add_up():
    charges = [demand(rate=5.0), {**demand(rate=3.0), "name": "Evening", "when": [{"times": ["17:00-20:00"]}]}]
    import_kw = at_hours(JUNE, {"2025-06-10 18:00": 10.0})
    assert total(billed(tariff_from(demand_charges=charges), JUNE, import_kw)) == pytest.approx(80 + 2, abs=FLOAT_SUM)


# --- periods that a season or the ends of the data cut ----------------------------------------------------------------

TWO_SEASONS = {
    "summer": {"first_day": "06-01", "last_day": "09-30"},
    "winter": {"first_day": "10-01", "last_day": "05-31"},
}


def test_two_seasonal_charges_at_one_rate_cost_what_one_charge_does():
    billing = {"reading_day": 23}
    demand = {"rate_per_kw": 10.0, "averaging_min": 60}
    start = steps()
    flat = tariff_from(billing=billing, demand_charges=[{"name": "All", **demand}])
    halves = [{"name": name, "when": [{"seasons": [name]}], **demand} for name in TWO_SEASONS]
    split = tariff_from(billing=billing, seasons=TWO_SEASONS, demand_charges=halves)
    expected = amounts(billed(flat, start, 100.0))["All"]
    assert sum(amounts(billed(split, start, 100.0))[name] for name in TWO_SEASONS) == pytest.approx(expected)


@pytest.mark.parametrize("spike", ["2025-02-05 12:00", "2025-07-05 12:00", "2025-12-28 12:00"])
def test_a_ratchet_of_eleven_periods_holds_a_whole_year_on_any_reading_day(spike):
    ratchet = {"share_frac": 1.0, "preceding_periods": 11}
    demand = [{"name": "Demand", "rate_per_kw": 10.0, "averaging_min": 60, "ratchet": ratchet}]
    start = steps()
    import_kw = at_hours(start, {spike: 300.0}, else_kw=100.0)
    table = billed(tariff_from(billing={"reading_day": 23}, demand_charges=demand), start, import_kw)
    # The first row is a part of the period that began in another December; it is billed by its own part.
    assert set(column(table, "Demand")[1:]) == {300.0}
