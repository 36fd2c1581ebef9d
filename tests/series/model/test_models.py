"""Loads and PV that nobody metered: they fit what is known of them, and other people's figures."""

import itertools
import warnings
from pathlib import Path

import holidays
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import open_data
from crestfall.errors import SeriesError
from crestfall.scenario.model_file import (
    EvChargers,
    HeatPump,
    LoadModel,
    MonthlyBills,
    NewLine,
    ParametricLoad,
    PvModel,
)
from crestfall.series.model import (
    added_kw,
    axis_of_year,
    fitted_kw,
    modelled_load_kw,
    modelled_pv_kw,
    pv_energy_frame,
    read_weather,
    standard_profile,
)

BERLIN = "Europe/Berlin"
YEAR = axis_of_year(2023, step_min=15, zone=BERLIN)
NO_HOLIDAYS = np.zeros(len(YEAR), bool)
SHAPES = ("business_hours", "two_shifts", "steady")


def real(package: str, relative: str) -> Path:
    try:
        return open_data.data_file(package, relative)
    except open_data.NotFetchedError as error:
        pytest.skip(str(error))


# --- profiles ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["G0", "G1", "G2", "G3", "G4", "G5", "G6", "L0", "L1", "L2"])
def test_classic_profiles_hold_a_thousand_kilowatt_hours(name):
    """BDEW norms them to 1,000 kWh a year; calendars differ by some weekdays and holidays, here by less than 1 %."""
    pytest.importorskip("demandlib")
    days = set(holidays.country_holidays("DE", subdiv="NW", years=2023))
    free = np.array([day in days for day in YEAR.date])
    assert standard_profile(name, YEAR, free).sum() / 4 == pytest.approx(1000, rel=0.01)


def test_the_profile_of_2025_is_that_of_demandlib():
    """demandlib's own G25 on a UTC axis without clock changes; Sundays and Saturdays as it has them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        bdew = pytest.importorskip("demandlib.bdew")
        axis = pd.date_range("2023-06-01", "2023-06-15", freq="15min", inclusive="left")
        theirs = bdew.G25(timeindex=axis).to_numpy(float)
    ours = standard_profile("G25", axis.tz_localize("UTC"), np.zeros(len(axis), bool))
    assert ours / ours.mean() == pytest.approx(theirs / theirs.mean())


def test_a_profile_is_scaled_to_the_energy_of_the_year():
    pytest.importorskip("demandlib")
    load_kw = modelled_load_kw(LoadModel(year=2023, profile="G1", energy_kwh=250_000.0, country="DE"), YEAR)
    assert load_kw.sum() / 4 == pytest.approx(250_000)
    may_day, day_before = (load_kw[np.asarray(YEAR.strftime("%m-%d") == day)].sum() for day in ("05-01", "04-27"))
    assert may_day < 0.5 * day_before  # a holiday on a Monday, a Thursday


# --- fitting ----------------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(1, 100), min_size=5, max_size=60, unique=True), st.floats(0.35, 0.95), st.floats(1, 1e4))
def test_a_fit_has_the_energy_and_the_peak_and_keeps_the_order(shape, load_factor, peak_kw):
    shape = np.array(shape) / 100
    energy_kwh = load_factor * peak_kw * len(shape) * 0.25
    load_kw = fitted_kw(shape, step_h=0.25, energy_kwh=energy_kwh, peak_kw=peak_kw)
    assert load_kw.sum() * 0.25 == pytest.approx(energy_kwh)
    assert load_kw.max() == pytest.approx(peak_kw)
    assert (np.diff(load_kw[np.argsort(shape)]) >= 0).all()


def test_a_peak_below_the_mean_is_refused():
    with pytest.raises(SeriesError, match=r"the peak must lie above the mean of 10\.0 kW"):
        fitted_kw(np.array([1.0, 2.0]), step_h=1.0, energy_kwh=20.0, peak_kw=9.0)


@given(st.lists(st.floats(0.2, 0.7), min_size=12, max_size=12), st.lists(st.floats(50, 900), min_size=12, max_size=12))
@settings(max_examples=5)
def test_twelve_bills_are_met_to_the_digit_by_all_three_shapes(factors, peaks):
    hours = pd.Series(0.25, YEAR).groupby(YEAR.month).sum().to_numpy()
    energies = tuple((np.array(factors) * peaks * hours).tolist())
    loads = []
    for shape in SHAPES:
        bills = MonthlyBills(energy_kwh=energies, peak_kw=tuple(peaks), shape=shape)
        load = pd.Series(modelled_load_kw(LoadModel(year=2023, monthly_bills=bills), YEAR), YEAR).groupby(YEAR.month)
        assert load.sum().to_numpy() / 4 == pytest.approx(energies)
        assert load.max().to_numpy() == pytest.approx(peaks)
        loads.append(load.obj.to_numpy())
    assert all(np.abs(one - other).mean() > 1 for one, other in itertools.pairwise(loads))


def test_a_parametric_site_rests_when_it_is_said_to():
    ask = ParametricLoad(from_h=6, to_h=22, base_frac=0.2, saturday_frac=0.5, noise_frac=0.0)
    load = pd.Series(modelled_load_kw(LoadModel(year=2023, parametric=ask, energy_kwh=1e5, country="DE"), YEAR), YEAR)
    at = {day: load[f"2023-{day} 12:00"] for day in ("03-01", "03-04", "03-05", "05-01")}
    assert at["03-05"] == at["05-01"] == pytest.approx(0.2 * at["03-01"])
    assert at["03-04"] == pytest.approx(0.6 * at["03-01"])
    assert load["2023-03-01 05:45"] == pytest.approx(0.2 * at["03-01"])


def test_noise_has_a_seed():
    ask = ParametricLoad(noise_frac=0.2, seed=7)
    one, same = (modelled_load_kw(LoadModel(year=2023, parametric=ask, energy_kwh=1e5), YEAR) for _ in range(2))
    other = modelled_load_kw(
        LoadModel(year=2023, parametric=ParametricLoad(noise_frac=0.2, seed=8), energy_kwh=1e5), YEAR
    )
    assert (one == same).all()
    assert (one != other).any()


# --- additions --------------------------------------------------------------------------------------------------------


def test_vehicles_never_draw_more_than_their_points_give():
    ask = EvChargers(kind="ev_chargers", points=3, power_kw=11.0, sessions_per_day=9, energy_kwh=20.0)
    load = added_kw(ask, YEAR, step_h=0.25, temperature_c=None)
    assert load.max() <= 33.0 * (1 + 1e-9)
    assert load[np.asarray(YEAR.day_of_week) == 6].sum() < 0.05 * load.sum()  # who came late on Friday or Saturday
    # 260 working days of 9 sessions of 20 kWh: 46,800 kWh, give or take what chance does to 2,340 sessions.
    assert load.sum() / 4 == pytest.approx(46_800, rel=0.05)


def test_a_heat_pump_follows_the_cold():
    temperature = 10 - 15 * np.cos(2 * np.pi * np.asarray(YEAR.day_of_year) / 365)
    load = added_kw(HeatPump(kind="heat_pump", energy_kwh=9000.0), YEAR, step_h=0.25, temperature_c=temperature)
    assert load.sum() / 4 == pytest.approx(9000)
    assert load[temperature >= 15].max() == 0
    assert load[temperature.argmin()] == load.max()


def test_a_new_line_works_on_working_days_over_midnight():
    ask = NewLine(kind="new_line", power_kw=50.0, from_h=22.0, to_h=6.0)
    load = pd.Series(added_kw(ask, YEAR, step_h=0.25, temperature_c=None), YEAR)
    assert load["2023-03-03 23:00"] == load["2023-03-04 05:00"] == 50.0  # Friday's shift
    assert load["2023-03-04 23:00"] == load["2023-03-06 05:00"] == 0.0


# --- PV ---------------------------------------------------------------------------------------------------------------

GREENSBORO = {"latitude_deg": 36.1, "longitude_deg": -79.95, "tilt_deg": 20.0, "azimuth_deg": 180.0}


def test_a_typical_year_gives_what_pvlib_gives():
    """pvlib's own functions called on its own TMY3 (NREL, Greensboro), hour by hour, beside ours."""
    pvlib = pytest.importorskip("pvlib")
    path = real("pvlib", "pvlib/data/723170TYA.CSV")
    hours = pd.date_range("2023-01-01", "2024-01-01", freq="h", inclusive="left", tz="Etc/GMT+5")
    ask = PvModel(kwp=100.0, losses_frac=0.14, weather="x", **GREENSBORO)
    weather = read_weather(path)
    ours = pv_energy_frame(ask, hours, weather)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table, _ = pvlib.iotools.read_tmy3(str(path), coerce_year=2023, map_variables=True)
        middle = hours + pd.Timedelta(minutes=30)
        sun = pvlib.location.Location(36.1, -79.95).get_solarposition(middle)
        poa = pvlib.irradiance.get_total_irradiance(
            20.0,
            180.0,
            sun["apparent_zenith"].to_numpy(),
            sun["azimuth"].to_numpy(),
            *(table[name].to_numpy(float) for name in ("dni", "ghi", "dhi")),
            albedo=0.2,
            model="isotropic",
        )["poa_global"]
        cell = pvlib.temperature.faiman(poa, table["temp_air"].to_numpy(), table["wind_speed"].to_numpy())
        kw = pvlib.pvsystem.pvwatts_dc(np.nan_to_num(poa), np.nan_to_num(cell), 100.0, -0.0037) * 0.86
    assert ours["poa"].to_numpy() == pytest.approx(np.nan_to_num(poa), abs=1e-6)
    assert ours["pv_kw"].to_numpy() == pytest.approx(np.clip(kw, 0, None), abs=1e-6)
    assert weather.temperature_c == pytest.approx(table["temp_air"].to_numpy(float))


def test_quarter_hours_hold_the_energy_of_their_hours():
    pytest.importorskip("pvlib")
    weather = read_weather(real("pvlib", "pvlib/data/723170TYA.CSV"))
    ask = PvModel(kwp=100.0, weather="x", **GREENSBORO)
    zone = "America/New_York"
    quarters, hours = (axis_of_year(2023, step_min=step, zone=zone) for step in (15, 60))
    fine, coarse = (modelled_pv_kw(ask, axis, weather) for axis in (quarters, hours))
    assert fine.sum() / 4 == pytest.approx(coarse.sum())
    noon = pd.Series(coarse, hours).groupby(hours.hour).mean().idxmax()
    assert noon in (12, 13)  # solar noon is near 12:20 standard time there


def test_a_clear_sky_is_scaled_by_its_clearness_and_held_by_the_inverter():
    pytest.importorskip("pvlib")
    place = {"latitude_deg": 55.0, "longitude_deg": 12.0, "tilt_deg": 30.0, "azimuth_deg": 180.0}
    axis = axis_of_year(2023, step_min=60, zone="Europe/Copenhagen")
    clear, dull = (modelled_pv_kw(PvModel(kwp=10.0, clearness_frac=one, **place), axis, None) for one in (1.0, 0.5))
    assert dull == pytest.approx(0.5 * clear)
    assert modelled_pv_kw(PvModel(kwp=10.0, clearness_frac=1.0, inverter_kw=5.0, **place), axis, None).max() == 5.0


def test_what_is_no_weather_file_is_said(tmp_path):
    pytest.importorskip("pvlib")
    path = tmp_path / "weather.csv"
    path.write_text("time,ghi\n2025-01-01,0\n", encoding="utf-8")
    with pytest.raises(SeriesError, match=r"weather\.csv: is no weather file that is known"):
        read_weather(path)


def epw_text() -> str:
    """Return an invented EPW file in UTC+1: air at -5 degrees but for the hour from 13 to 14 on 2 July."""
    head = ["LOCATION,Nowhere,-,XXX,invented,0,52.0,13.0,1.0,50.0"]
    head += ["DESIGN CONDITIONS,0", "TYPICAL/EXTREME PERIODS,0", "GROUND TEMPERATURES,0"]
    head += [
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,",
        "COMMENTS 2,",
        "DATA PERIODS,1,1,Data,Sunday,1/1,12/31",
    ]
    rows = []
    for at in pd.date_range("2023-01-01", periods=8760, freq="h"):
        warm = (at.month, at.day, at.hour) == (7, 2, 13)
        values = ["60", "A7", "31.0" if warm else "-5.0", "-6", "90", "101300", "0", "0", "300", "700" if warm else "0"]
        values += ["800" if warm else "0", "100" if warm else "0", *["0"] * 4, "180", "2.0", *["0"] * 13]
        rows.append(f"{at.year},{at.month},{at.day},{at.hour + 1}," + ",".join(values))
    return "\n".join([*head, *rows, ""])


def pvgis_text() -> str:
    """Return an invented typical year as PVGIS writes it, in UTC, its months from different years."""
    head = ["Latitude (decimal degrees): 52.0", "Longitude (decimal degrees): 13.0", "Elevation (m): 50.0"]
    head += ["month,year", *(f"{month},{2007 + month}" for month in range(1, 13))]
    rows = ["time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"]
    for at in pd.date_range("2023-01-01", periods=8760, freq="h"):
        warm = (at.month, at.day, at.hour) == (7, 2, 12)
        rows.append(
            f"{2007 + at.month}{at:%m%d:%H}00,{'31.0,50,700,800,100' if warm else '-5.0,90,0,0,0'},300,2.0,180,101300"
        )
    return "\n".join([*head, *rows, "", "T2m: 2-m air temperature (degree Celsius)", ""])


@pytest.mark.parametrize("text", [epw_text, pvgis_text])
def test_other_weather_files_fall_on_the_same_hours(text, tmp_path):
    """13:00 in UTC+1 is 12:00 UTC, and 14:00 summer time in Berlin."""
    pytest.importorskip("pvlib")
    path = tmp_path / "weather.csv"
    path.write_text(text(), encoding="utf-8")
    weather = read_weather(path)
    hours = axis_of_year(2024, step_min=60, zone=BERLIN)  # a leap year
    temperature_c = pd.Series(weather.onto(hours, weather.temperature_c), hours)
    assert temperature_c.idxmax() == pd.Timestamp("2024-07-02 14:00", tz=BERLIN)
    assert sorted(temperature_c.unique()) == [-5.0, 31.0]
    ask = PvModel(kwp=10.0, latitude_deg=52.0, longitude_deg=13.0, tilt_deg=30.0, azimuth_deg=180.0, weather="x")
    pv = pd.Series(modelled_pv_kw(ask, hours, weather), hours)
    assert list(pv[pv > 0].index) == [pd.Timestamp("2024-07-02 14:00", tz=BERLIN)]
