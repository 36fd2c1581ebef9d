"""The committed demo data are what the generator makes, and a practitioner would believe them."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import holidays
import numpy as np
import pandas as pd
import pytest
from ruamel.yaml import YAML

from crestfall.scenario.tariff_file import TariffFile

DATA = Path(__file__).parents[2] / "data"
TARIFFS = sorted((DATA / "tariffs").glob("*.yaml"))


@pytest.fixture(scope="module")
def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo_data", DATA / "make_demo_data.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def site() -> pd.DataFrame:
    return _read("perlesand.csv")


@pytest.fixture(scope="module")
def weather() -> pd.DataFrame:
    return _read("perlesand_weather.csv")


@pytest.fixture(scope="module")
def prices() -> pd.Series:
    return _read("dagspris.csv", folder="prices")["price_per_mwh"]


def _read(name: str, folder: str = "load") -> pd.DataFrame:
    table = pd.read_csv(DATA / folder / name)
    start = pd.DatetimeIndex(pd.to_datetime(table.pop("time"), utc=True)).tz_convert("Europe/Copenhagen")
    return table.set_index(start)


def test_committed_files_are_what_the_generator_makes(generator, tmp_path):
    written = generator.write_all(tmp_path)
    names = [path.relative_to(tmp_path).as_posix() for path in written]
    assert names == [
        "load/perlesand.csv",
        "load/perlesand_weather.csv",
        "prices/dagspris.csv",
        "emissions/grid_factors.csv",
    ]
    for name in names:
        assert (tmp_path / name).read_bytes() == (DATA / name).read_bytes(), f"run data/make_demo_data.py ({name})"


def test_committed_files_are_small_and_hold_plain_numbers():
    for path in DATA.glob("*/*.csv"):
        assert path.stat().st_size < 1_600_000
        assert b"nan" not in path.read_bytes().lower()
        assert b"-0.0" not in path.read_bytes()


def test_script_says_first_that_all_is_invented():
    assert "INVENTED" in (DATA / "make_demo_data.py").read_text(encoding="utf-8").splitlines()[0]


def test_generator_knows_the_public_holidays_of_its_year(generator):
    known = holidays.country_holidays("DK", years=generator.YEAR, observed=False)
    assert sorted(generator.HOLIDAYS) == sorted(str(day) for day in known)


@pytest.mark.parametrize(
    ("folder", "name", "step_min"),
    [
        ("load", "perlesand.csv", 15),
        ("load", "perlesand_weather.csv", 60),
        ("prices", "dagspris.csv", 60),
        ("emissions", "grid_factors.csv", 60),
    ],
)
def test_axis_is_the_local_year_with_both_clock_changes(folder, name, step_min):
    start = _read(name, folder).index
    assert start[0] == pd.Timestamp("2025-01-01", tz="Europe/Copenhagen")
    assert (np.diff(start.as_unit("s").asi8) == step_min * 60).all()
    steps = pd.Series(1, index=start).groupby(start.date).sum() * step_min / 60
    odd = {str(day): hours for day, hours in steps.items() if hours != 24}
    assert odd == {"2025-03-30": 23, "2025-10-26": 25}
    assert len(steps) == 365


def test_energy_peak_and_base_are_those_of_a_middling_cold_store(site):
    assert 1_100 < site["load_kw"].sum() / 4 / 1000 < 1_400  # MWh
    assert 330 < site["load_kw"].max() < 400
    night = site["load_kw"][site.index.hour < 4]
    assert 70 < night.groupby(night.index.month).quantile(0.1).min() < 90
    assert site["load_kw"].min() > 50


def test_peaks_are_short(site):
    """Batches, not shifts, make the peak: above three quarters of it the load stands in few hours of the year."""
    high = site["load_kw"] > 0.75 * site["load_kw"].max()
    assert 50 < high.sum() / 4 < 300
    runs = high.groupby((high != high.shift()).cumsum()).sum()
    assert runs.max() / 4 < 5  # h


def test_sundays_and_holidays_are_quiet(site):
    daily = site["load_kw"].groupby(site.index.date).mean()
    days = pd.DatetimeIndex(daily.index)
    holiday = days.isin(pd.DatetimeIndex(list(holidays.country_holidays("DK", years=2025, observed=False))))
    working = (days.day_of_week < 5) & ~holiday
    assert daily[days.day_of_week == 6].mean() < 0.7 * daily[working].mean()
    assert daily[holiday].mean() < 0.7 * daily[working].mean()


def test_load_follows_the_warmth_and_the_landings(site):
    monthly = site["load_kw"].groupby(site.index.month).mean()
    assert monthly[7] > 1.15 * monthly[1]  # warm
    assert monthly[10] > 1.15 * monthly[4]  # about as warm, but the fleet lands
    assert site["load_kw"].idxmax().month in (9, 10, 11)


def test_pv_yields_what_it_yields_in_denmark(site):
    per_kwp = site["pv_kw"].sum() / 4 / 220
    assert 950 < per_kwp < 1_080
    assert site["pv_kw"].max() <= 185  # the inverters' limit
    monthly = site["pv_kw"].groupby(site.index.month).sum()
    assert monthly[6] > 8 * monthly[12]
    assert (site["pv_kw"][site.index.hour.isin([23, 0, 1, 2])] == 0).all()


def test_sun_stands_where_it_must(generator):
    """At solar noon of the June solstice the zenith angle is latitude less obliquity: 55.6 - 23.44 = 32.2 degrees."""
    start = pd.date_range("2025-06-21", periods=96, freq="15min", tz="UTC")
    cos_zenith, azimuth = generator.sun_position(start)
    noon = int(cos_zenith.argmax())
    assert np.degrees(np.arccos(cos_zenith[noon])) == pytest.approx(55.6 - 23.44, abs=0.1)
    assert np.degrees(azimuth[noon]) == pytest.approx(180, abs=3.5)  # a quarter hour turns it by up to 7 degrees
    # 8.3 degrees east is 33 minutes before Greenwich; the equation of time is -2 minutes: solar noon at 11:29 UTC.
    assert abs((start[noon] - pd.Timestamp("2025-06-21 11:29", tz="UTC")).total_seconds()) <= 15 * 60


def test_air_is_that_of_a_mild_coast(weather):
    air = weather["temperature_c"]
    assert 8 < air.mean() < 10
    assert -15 < air.min() < -3
    assert 22 < air.max() < 32
    assert air.groupby(air.index.date).mean().autocorr(1) > 0.9
    summer = air[air.index.month.isin([6, 7])]
    by_hour = summer.groupby(summer.index.hour).mean()
    assert by_hour.idxmin() in (3, 4, 5, 6)
    assert 3 < by_hour.max() - by_hour.min() < 8


def test_prices_are_those_of_a_windy_and_sunny_area(prices):
    assert 55 < prices.mean() < 80  # EUR/MWh
    assert 200 < prices.max() < 400
    assert 100 < (prices < 0).sum() < 400  # h
    assert 10 < (prices < -45).sum() < 100  # h; where the floor of the tariff holds
    assert prices.min() > -200
    daily = prices.groupby(prices.index.date)
    assert 40 < (daily.max() - daily.min()).median() < 90


def test_prices_peak_twice_a_day_and_rest_at_weekends(prices):
    working = prices[prices.index.day_of_week < 5]
    winter = working[working.index.month.isin([11, 12, 1, 2])]
    by_hour = winter.groupby(winter.index.hour).mean()
    assert by_hour.loc[:11].idxmax() in (7, 8)
    assert by_hour.idxmax() in (17, 18, 19)
    assert by_hour.loc[12:15].min() < 0.8 * min(by_hour[8], by_hour[18])
    assert prices[prices.index.day_of_week >= 5].mean() < 0.85 * working.mean()


def test_prices_are_low_on_summer_middays(prices):
    summer = prices[prices.index.month.isin([5, 6, 7, 8])]
    by_hour = summer.groupby(summer.index.hour).mean()
    assert by_hour.loc[11:14].mean() < 0.5 * by_hour.loc[18:20].mean()
    below = prices[prices < 0]
    assert (below.index.month.isin(range(3, 11))).mean() > 0.9


def test_each_kind_of_tariff_has_its_demo():
    assert [path.stem for path in TARIFFS] == [
        "dagspris_passthrough",
        "ferrisbay_ratchet",
        "holmvandry_capacity",
        "klitlys_seasonal",
        "solvighove_netblocks",
    ]


@pytest.mark.parametrize("path", TARIFFS, ids=lambda path: path.stem)
def test_tariff_is_valid_and_says_that_it_is_invented(path):
    tariff = TariffFile.model_validate(YAML(typ="safe").load(path))
    assert tariff.title.endswith("(invented)")
    assert path.read_text(encoding="utf-8").startswith("# An invented tariff of an invented utility.")
    assert tariff.currency == "EUR"  # that of the demo scenarios
    series = [charge.price_series for charge in tariff.energy_charges] + [tariff.export.price_series]
    for source in filter(None, series):
        assert source.column in pd.read_csv(path.parent / source.file, nrows=1).columns


def test_system_peaks_are_dear_evenings_of_different_days(prices):
    tariff = TariffFile.model_validate(YAML(typ="safe").load(DATA / "tariffs" / "dagspris_passthrough.yaml"))
    start = pd.DatetimeIndex(tariff.coincident_charges[0].times).tz_localize(prices.index.tz)
    assert len(set(start.date)) == len(start) == 6
    assert (prices[start] > prices.quantile(0.995)).all()


def test_factors_are_those_of_an_area_with_wind_sun_and_gas(prices):
    factors = _read("grid_factors.csv", folder="emissions")
    assert 0.1 < factors.average_kg_per_kwh.mean() < 0.25
    assert 0.3 < factors.marginal_kg_per_kwh.mean() < 0.5
    assert factors.marginal_kg_per_kwh[prices < -20].max() < 0.1  # what is spilt costs nothing to use
    assert factors.marginal_kg_per_kwh[prices > 150].min() > 0.4
