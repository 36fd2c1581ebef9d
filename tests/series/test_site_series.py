import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.series import read_site_series
from crestfall.series._read import Column
from crestfall.series._site import onto_steps
from site_files import in_scenario
from strategies import kilowatts
from year_data import csv, local_steps, naive, with_offset

HOURS_2025 = local_steps("Europe/Berlin")
RAMP = list(range(len(HOURS_2025)))

# Hours of the local days on which clocks change, in 2025. Source: IANA time zone database (tzdata 2026.6).
CLOCK_CHANGES = [
    pytest.param("Europe/Berlin", "2025-03-30", 23, id="Berlin, spring"),
    pytest.param("Europe/Berlin", "2025-10-26", 25, id="Berlin, autumn"),
    pytest.param("America/New_York", "2025-03-09", 23, id="New York, spring"),
    pytest.param("America/New_York", "2025-11-02", 25, id="New York, autumn"),
    pytest.param("Australia/Lord_Howe", "2025-10-05", 23.5, id="Lord Howe, spring, half an hour"),
    pytest.param("Australia/Lord_Howe", "2025-04-06", 24.5, id="Lord Howe, autumn, half an hour"),
    pytest.param("Africa/Cairo", "2025-04-25", 23, id="Cairo, spring, at midnight"),
    pytest.param("Africa/Cairo", "2025-10-30", 25, id="Cairo, autumn, at midnight"),
    pytest.param("Asia/Kolkata", "2025-03-30", 24, id="Kolkata never changes"),
]


def in_zone(zone):
    return in_scenario("Europe/Berlin", zone)


@pytest.fixture
def series_with(scenario_with):
    return lambda *edits, **contents: read_site_series(scenario_with(*edits, **contents))


@pytest.fixture(scope="session")
def half_hours_of():
    """Half-hourly steps of 2025 in a zone, worked out once for all tests."""
    cache = {}

    def steps(zone):
        if zone not in cache:
            cache[zone] = local_steps(zone, step_min=30)
        return cache[zone]

    return steps


@pytest.mark.parametrize(("zone", "day", "hours"), CLOCK_CHANGES)
def test_a_local_day_keeps_its_own_length(series_with, half_hours_of, zone, day, hours):
    series = series_with(in_zone(zone), load=csv(naive(half_hours_of(zone))))
    assert np.sum(series.start.strftime("%Y-%m-%d") == day) * series.step_h == hours


@pytest.mark.parametrize(
    "zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Cairo", "Asia/Kolkata"]
)
def test_local_stamps_and_stamps_with_offset_give_the_same_series(series_with, half_hours_of, zone):
    steps = half_hours_of(zone)
    values = range(len(steps))
    local = series_with(in_zone(zone), load=csv(naive(steps), values))
    offset = series_with(in_zone(zone), load=csv(with_offset(steps), values))
    pd.testing.assert_index_equal(local.start, offset.start)
    assert local.load_kw.tolist() == offset.load_kw.tolist()


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Australia/Lord_Howe", "Africa/Cairo"])
def test_every_local_stamp_is_placed_where_zoneinfo_places_it(series_with, half_hours_of, zone):
    steps = half_hours_of(zone)
    series = series_with(in_zone(zone), load=csv(naive(steps)))
    expected = [int(step.timestamp()) for step in steps]
    assert series.start.as_unit("s").asi8.tolist() == expected


def test_the_missing_midnight_of_cairo_starts_the_day_at_one(series_with, half_hours_of):
    # IANA time zone database: on Friday 2025-04-25 the clock goes from 00:00 to 01:00.
    series = series_with(in_zone("Africa/Cairo"), load=csv(naive(half_hours_of("Africa/Cairo"))))
    day = series.start[series.start.strftime("%Y-%m-%d") == "2025-04-25"]
    assert f"{day[0]:%H:%M}" == "01:00"


@pytest.mark.parametrize(
    "form",
    [
        pytest.param("%Y-%m-%dT%H:%M:%S%z", id="colonless offset"),
        pytest.param("%Y-%m-%d %H:%M %:z", id="space before the offset"),
        pytest.param("hours", id="offset in hours only"),
        pytest.param("zulu", id="Z for UTC"),
    ],
)
def test_offsets_may_be_written_in_each_form_of_the_standard(series_with, form):
    def text(step):
        if form == "hours":
            return step.isoformat()[:-3]
        if form == "zulu":
            return step.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%MZ")
        return step.strftime(form.replace("%:z", step.isoformat()[-6:]))

    series = series_with(load=csv([text(step) for step in HOURS_2025], RAMP))
    assert (series.start[7000].timestamp(), series.load_kw[7000]) == (HOURS_2025[7000].timestamp(), 7000)


def test_a_meter_that_never_changes_its_clock_is_read_in_its_own_zone(series_with):
    stamps = naive([step.astimezone(ZoneInfo("Etc/GMT-1")) for step in HOURS_2025])
    series = series_with(in_scenario("    unit: kW", "    unit: kW\n    time_zone: Etc/GMT-1"), load=csv(stamps, RAMP))
    assert (str(series.start[4000]), series.load_kw[4000]) == (str(pd.Timestamp(HOURS_2025[4000])), 4000)


def test_stamps_of_the_end_are_moved_to_the_start(series_with):
    ends = [step.astimezone(dt.UTC) + dt.timedelta(hours=1) for step in HOURS_2025]
    stamps = naive([end.astimezone(ZoneInfo("Europe/Berlin")) for end in ends])
    series = series_with(in_scenario("    unit: kW", "    unit: kW\n    stamp: end"), load=csv(stamps, RAMP))
    assert (str(series.start[0]), series.n_steps) == ("2025-01-01 00:00:00+01:00", 8760)


def test_energy_per_step_becomes_mean_power(series_with):
    steps = local_steps("Asia/Kolkata", step_min=15)
    kwh = in_scenario("unit: kW", "unit: kWh")
    series = series_with(in_zone("Asia/Kolkata"), kwh, load=csv(naive(steps), [5] * len(steps)))
    assert (series.step_h, set(series.load_kw.tolist())) == (0.25, {20.0})  # 5 kWh in a quarter hour are 20 kW


@pytest.mark.parametrize(
    ("step_min", "n_steps"), [(5, 105_120), (10, 52_560), (15, 35_040), (20, 26_280), (30, 17_520), (60, 8_760)]
)
def test_steps_from_5_to_60_minutes_are_read(series_with, step_min, n_steps):
    stamps = naive(local_steps("Asia/Kolkata", step_min=step_min))
    series = series_with(in_zone("Asia/Kolkata"), load=csv(stamps))
    assert (series.n_steps, round(series.step_h * 60)) == (n_steps, step_min)


def test_a_leap_year_has_8784_hours(series_with):
    assert series_with(load=csv(naive(local_steps("Europe/Berlin", first="2024-01-01")))).n_steps == 8784


def test_a_year_may_start_in_any_month(series_with):
    series = series_with(load=csv(naive(local_steps("Europe/Berlin", first="2024-10-01"))))
    assert (f"{series.start[0]:%Y-%m-%d}", f"{series.start[-1]:%Y-%m-%d %H:%M}") == ("2024-10-01", "2025-09-30 23:00")


def test_other_columns_blank_ends_and_windows_line_ends_do_not_matter(series_with):
    text = csv(naive(HOURS_2025), (f"note,{value}" for value in RAMP), head=" time , remark , load_kw ")
    series = series_with(load="\ufeff" + text.replace("\n", "\r\n") + "\r\n\r\n")
    assert series.load_kw.tolist() == RAMP


def test_without_pv_there_is_no_generation(series_with):
    assert not series_with(load=csv(naive(HOURS_2025))).pv_kw.any()


def test_without_temperature_it_is_unknown(series_with):
    assert series_with(load=csv(naive(HOURS_2025))).temperature_c is None


def test_pv_and_temperature_of_another_span_are_cut_to_the_load(series_with):
    entries = (
        "  pv: {file: pv.csv, column: pv_kw, unit: kW}\n"
        "  temperature: {file: temperature.csv, column: air_c, unit: C}\n  import_limit_kw: 400\n"
    )
    longer = local_steps("Europe/Berlin", first="2024-12-01", last="2026-02-01")
    series = series_with(
        in_scenario("  import_limit_kw: 400\n", entries),
        load=csv(naive(HOURS_2025)),
        pv=csv(naive(longer), (step.month for step in longer), head="time,pv_kw"),
        temperature=csv(naive(longer), (-step.day for step in longer), head="time,air_c"),
    )
    assert series.pv_kw.tolist() == [step.month for step in HOURS_2025]
    assert series.temperature_c.tolist() == [-step.day for step in HOURS_2025]


def column(step_min, readings, *, first="2025-01-01"):
    start = pd.date_range(first, periods=len(readings), freq=f"{step_min}min", tz="UTC")
    return Column(start=start, step_h=step_min / 60, readings=np.asarray(readings, dtype=float), source="x")


@given(
    readings=st.lists(kilowatts, min_size=2, max_size=24),
    steps=st.sampled_from([(60, 15), (60, 60), (60, 5), (15, 60), (5, 15), (10, 30), (30, 10), (20, 60)]),
)
def test_bringing_means_to_other_steps_keeps_their_energy(readings, steps):
    source_min, target_min = steps
    n_hours = len(readings)
    source = column(source_min, np.resize(readings, n_hours * 60 // source_min))
    target = column(target_min, np.zeros(n_hours * 60 // target_min))
    moved = onto_steps(source, source.readings, target)
    # Sums of floats in another order.
    assert moved.sum() * target.step_h == pytest.approx(source.readings.sum() * source.step_h, rel=1e-12)


def test_hourly_pv_is_repeated_on_quarter_hours():
    moved = onto_steps(column(60, [8, 2]), np.array([8.0, 2.0]), column(15, np.zeros(8)))
    assert moved.tolist() == [8, 8, 8, 8, 2, 2, 2, 2]


def test_five_minute_pv_is_averaged_on_quarter_hours():
    moved = onto_steps(column(5, [0, 3, 6, 9, 9, 0]), np.array([0.0, 3, 6, 9, 9, 0]), column(15, [0, 0]))
    assert moved.tolist() == [3, 6]


def test_coarse_means_are_cut_at_the_start_of_a_finer_load():
    moved = onto_steps(column(60, [8, 2]), np.array([8.0, 2.0]), column(15, np.zeros(4), first="2025-01-01 00:30"))
    assert moved.tolist() == [8, 8, 2, 2]
