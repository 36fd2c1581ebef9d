"""Make the demo site's year of interval data. ALL IS INVENTED: place, company, weather, load, prices, factors.

"Perlesand Cold Store" stands on no map. It keeps frozen and chilled fish on a made-up harbour of the Danish west coast,
freezes what the boats land, and has 220 kWp of PV on its roof. The year is 2025 in Europe/Copenhagen, in steps of
15 minutes, both clock changes included. The same seed gives the same bytes on every run.

Run ``python data/make_demo_data.py``; it writes beside itself:

- ``load/perlesand.csv``: time, load_kw, pv_kw, every 15 minutes;
- ``load/perlesand_weather.csv``: time, temperature_c, every hour;
- ``prices/dagspris.csv``: time, price_per_mwh (EUR), every hour: day-ahead prices of a made-up area around the site;
- ``emissions/grid_factors.csv``: time, average_kg_per_kwh, marginal_kg_per_kwh, every hour: factors of that grid.

How it is built, from the sky down:

1. cloud cover from three random processes (weather fronts, hours, single clouds), global irradiance from a clear sky;
2. air temperature from the season, the sun of the day, passing weather and a sea breeze on sunny afternoons;
3. PV from the irradiance in the plane of the modules, their temperature, and the inverters' limit;
4. refrigeration from heat that has to be removed (walls, doors, goods) over an efficiency that falls on warm days;
5. what people and machines add: shifts, deliveries, blast freezing, defrosting, ice, lamps, offices, forklifts;
6. day-ahead prices from what wind and sun leave to be generated otherwise, and fuel that gets dearer and cheaper;
7. emission factors from the same residual load: the mix gets cleaner with wind and sun, the last plant is of one kind.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SEED = 20250614
SITE = "perlesand"
PRICES = "dagspris"
FACTORS = "grid_factors"
ZONE = "Europe/Copenhagen"
YEAR = 2025
STEP_H = 0.25
STEPS_PER_DAY = 96

LATITUDE_DEG, LONGITUDE_DEG = 55.6, 8.3  # a point off the Danish west coast, in the sea
PV_KWP, PV_TILT_DEG, PV_AZIMUTH_DEG = 220.0, 22.0, 185.0  # azimuth from north, clockwise
PV_LOSS_FRAC = 0.15  # soiling, mismatch, cables, inverter
PV_INVERTER_KW = 185.0  # four inverters, a little smaller than the modules, as usual at this latitude

# Public holidays of 2025 in Denmark, and the three days on which the site closes of its own accord.
HOLIDAYS = (
    "2025-01-01", "2025-04-17", "2025-04-18", "2025-04-20", "2025-04-21", "2025-05-29",
    "2025-06-08", "2025-06-09", "2025-12-25", "2025-12-26",
)  # fmt: skip
CLOSING_DAYS = ("2025-06-05", "2025-12-24", "2025-12-31")

ROOM_C = -22.0
EVAPORATING_C = -31.0
CARNOT_SHARE = 0.5  # what a good industrial plant reaches of the ideal coefficient of performance


@dataclass(frozen=True, slots=True)
class Days:
    """The calendar of the site, one value for each local day of the year."""

    date: pd.DatetimeIndex
    work: FloatArray
    """Level of work: 1 a working day, about 0.3 to 0.6 a Saturday, 0 closed."""
    season: FloatArray
    """Throughput against an ordinary week: above 1 while the fleet lands mackerel and herring."""


@dataclass(frozen=True, slots=True)
class Clock:
    """Local time of each step."""

    start: pd.DatetimeIndex
    day: NDArray[np.int64]
    hour: FloatArray

    def steps_between(self, day: int, first_h: float, last_h: float) -> NDArray[np.int64]:
        """Return the steps of one local day whose clock shows at least `first_h` and less than `last_h`."""
        begin, end = np.searchsorted(self.day, [day, day + 1])
        inside = (self.hour[begin:end] >= first_h) & (self.hour[begin:end] < last_h)
        return begin + np.flatnonzero(inside)


def write_all(folder: Path) -> list[Path]:
    """
    Write the demo data below a folder.

    Parameters
    ----------
    folder : Path
        Folder in which ``load/``, ``prices/`` and ``emissions/`` are made.

    Returns
    -------
    list of Path
        The files, in the order in which they were written.
    """
    load, weather = make_year()
    target = folder / "load"
    target.mkdir(parents=True, exist_ok=True)
    return [
        _write_csv(load, target / f"{SITE}.csv"),
        _write_csv(weather, target / f"{SITE}_weather.csv"),
        write_prices(folder),
        write_factors(folder),
    ]


def write_factors(folder: Path) -> Path:
    """Write the emission factors to ``emissions/`` below a folder, and return the file."""
    target = folder / "emissions"
    target.mkdir(parents=True, exist_ok=True)
    return _write_csv(make_factors(), target / f"{FACTORS}.csv", decimals=3)


def write_prices(folder: Path) -> Path:
    """Write the day-ahead prices to ``prices/`` below a folder, and return the file."""
    target = folder / "prices"
    target.mkdir(parents=True, exist_ok=True)
    return _write_csv(make_prices(), target / f"{PRICES}.csv", decimals=2)


def make_year() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the quarter hours (load_kw, pv_kw) and the hours (temperature_c), both indexed by local time."""
    clock = make_clock()
    days = make_days()
    position = sun_position(clock.start)
    clear = clearness(clock)
    ghi = clear * clear_sky_ghi(position[0])
    temperature_c = air_temperature_c(clock, clear, ghi)
    pv_kw = pv_power_kw(clock, position, ghi, temperature_c)
    load_kw = site_load_kw(clock, days, temperature_c, ghi)
    quarter_hours = pd.DataFrame({"load_kw": load_kw.round(1), "pv_kw": pv_kw.round(1)}, index=clock.start)
    hourly_c = temperature_c.reshape(-1, 4).mean(axis=1).round(1) + 0.0  # + 0.0 turns -0.0 into 0.0
    return quarter_hours, pd.DataFrame({"temperature_c": hourly_c}, index=clock.start[::4])


def make_clock() -> Clock:
    """Return the local clock of the year: equal steps in UTC, so one day has 23 hours and one has 25."""
    ends = pd.DatetimeIndex([f"{YEAR}-01-01", f"{YEAR + 1}-01-01"]).tz_localize(ZONE)
    start = pd.date_range(ends[0].tz_convert("UTC"), ends[1].tz_convert("UTC"), freq="15min", inclusive="left")
    start = start.tz_convert(ZONE)
    return Clock(start, np.asarray(start.day_of_year - 1), np.asarray(start.hour + start.minute / 60, dtype=float))


def make_days() -> Days:
    """Return how much is worked on each day."""
    date = pd.date_range(f"{YEAR}-01-01", f"{YEAR}-12-31", freq="D")
    rng = _rng("days")
    number = np.arange(len(date))
    # Landings swell from mid August, are highest in October and end in late November; a small spring season in April.
    season = 1 + 0.62 * np.exp(-(((number - 277) / 30.0) ** 2)) + 0.16 * np.exp(-(((number - 107) / 16.0) ** 2))
    season *= np.where((date.month == 7) & (date.day >= 7) & (date.day <= 27), 0.72, 1.0)  # the trade's summer holiday
    season *= np.where((date.month == 12) & (date.day >= 22), 0.6, 1.0)
    season *= np.repeat(1 + 0.07 * rng.standard_normal(53), 7)[: len(date)]  # good and bad weeks
    work = np.where(date.day_of_week < 5, 1.0, np.where(date.day_of_week == 5, 0.28, 0.0))
    work = np.where((date.day_of_week == 5) & (season > 1.3), 0.6, work)  # a real shift on Saturdays when boats queue
    closed = date.isin(pd.DatetimeIndex([*HOLIDAYS, *CLOSING_DAYS]))
    return Days(date, np.where(closed, 0.0, work), season)


# --- sky, air and sun -------------------------------------------------------------------------------------------------


def sun_position(start: pd.DatetimeIndex) -> tuple[FloatArray, FloatArray]:
    """
    Return cosine of the zenith angle and azimuth in the middle of each step.

    Parameters
    ----------
    start : DatetimeIndex of shape (n_steps,)
        Start of each step.

    Returns
    -------
    cos_zenith : ndarray of shape (n_steps,)
        Cosine of the sun's zenith angle; negative at night.
    azimuth : ndarray of shape (n_steps,)
        Angle of the sun from north, clockwise [rad].

    References
    ----------
    .. [1] J. W. Spencer, "Fourier series representation of the position of the sun", Search 2 (5), 172, 1971
       (declination and equation of time).
    .. [2] J. A. Duffie, W. A. Beckman, "Solar Engineering of Thermal Processes", section 1.6 (zenith and azimuth).
    """
    middle = start.tz_convert("UTC") + pd.Timedelta(hours=STEP_H / 2)
    utc_h = np.asarray(middle.hour + middle.minute / 60 + middle.second / 3600, dtype=float)
    g = 2 * np.pi * (np.asarray(middle.day_of_year) - 1 + (utc_h - 12) / 24) / 365
    declination = (
        0.006918 - 0.399912 * np.cos(g) + 0.070257 * np.sin(g) - 0.006758 * np.cos(2 * g) + 0.000907 * np.sin(2 * g)
        - 0.002697 * np.cos(3 * g) + 0.00148 * np.sin(3 * g)
    )  # fmt: skip
    equation_min = 229.18 * (
        0.000075 + 0.001868 * np.cos(g) - 0.032077 * np.sin(g) - 0.014615 * np.cos(2 * g) - 0.040849 * np.sin(2 * g)
    )
    hour_angle = np.radians(15 * (utc_h + LONGITUDE_DEG / 15 + equation_min / 60 - 12))
    latitude = np.radians(LATITUDE_DEG)
    cos_zenith = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(hour_angle)
    return cos_zenith, np.arctan2(east, north) % (2 * np.pi)


def clear_sky_ghi(cos_zenith: FloatArray) -> FloatArray:
    """
    Return global horizontal irradiance under a clear sky [W/m2].

    References
    ----------
    .. [1] B. Haurwitz, "Insolation in relation to cloudiness and cloud density", Journal of Meteorology 2,
       154-166, 1945.
    """
    up = np.maximum(cos_zenith, 1e-3)
    return np.where(cos_zenith > 0, 1098 * up * np.exp(-0.057 / up), 0.0)


def clearness(clock: Clock) -> FloatArray:
    """
    Return global irradiance over its clear-sky value, from a random cloud cover that remembers.

    References
    ----------
    .. [1] F. Kasten, G. Czeplak, "Solar and terrestrial radiation dependent on the amount and type of cloud", Solar
       Energy 24, 177-189, 1980 (1 - 0.75 n^3.4 for a cover of n).
    """
    n = len(clock.start)
    fronts, hours, clouds = (
        _memory(_rng(f"clouds {name}"), n, tau_h) for name, tau_h in (("a", 40), ("b", 5), ("c", 0.5))
    )
    dull = 1.45 + 0.7 * np.cos(2 * np.pi * (clock.day - 8) / 365)  # winters are dull, May and June are bright
    cover = 1 / (1 + np.exp(-(dull + 1.75 * fronts + 0.85 * hours + 0.75 * clouds)))
    return 1 - 0.77 * cover**3.0


def air_temperature_c(clock: Clock, clear: FloatArray, ghi: FloatArray) -> FloatArray:
    """Return the air temperature: mild winters, cool summers, and a sea breeze that cuts off sunny afternoons."""
    n = len(clock.start)
    day = clock.day + clock.hour / 24
    season = 9.0 - 7.0 * np.cos(2 * np.pi * (day - 27) / 365)  # coldest at the end of January: the sea lags
    weather = 3.0 * _memory(_rng("weather"), n, 66) + 0.5 * _memory(_rng("gusts"), n, 6)
    weather *= 1 + 0.22 * np.cos(2 * np.pi * (day - 20) / 365)
    # Sun warms and a clear night cools; the ground stores a few hours of both.
    balance = _lag(ghi / 100.0, 3.0) - 1.45 * _lag(clear - 0.45, 5.0) - 0.9
    breeze_strength = np.clip(_lag(ghi, 2.0) / 600.0 - 0.45, 0, 1) * (season > 8.5)
    breeze = 3.2 * breeze_strength * np.exp(-(((clock.hour - 16.0) / 3.2) ** 2))
    return season + weather + 1.3 * balance - breeze


def pv_power_kw(
    clock: Clock, sun: tuple[FloatArray, FloatArray], ghi: FloatArray, temperature_c: FloatArray
) -> FloatArray:
    """
    Return the AC power that the PV could give.

    References
    ----------
    .. [1] D. G. Erbs, S. A. Klein, J. A. Duffie, Solar Energy 28, 293-302, 1982 (diffuse share).
    .. [2] B. Y. H. Liu, R. C. Jordan, Solar Energy 7, 53-74, 1963 (isotropic sky on a tilted plane).
    .. [3] R. G. Ross, "Flat-plate photovoltaic array design optimization", 14th IEEE PVSC, 1980 (cell temperature).
    """
    cos_zenith, azimuth = sun
    up = np.maximum(cos_zenith, 0.02)
    outside = 1361 * (1 + 0.033 * np.cos(2 * np.pi * (clock.day + 1) / 365)) * up
    kt = np.clip(ghi / outside, 0, 1)
    middle = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    diffuse = ghi * np.where(kt <= 0.22, 1 - 0.09 * kt, np.where(kt <= 0.8, middle, 0.165))
    tilt, towards = np.radians(PV_TILT_DEG), np.radians(PV_AZIMUTH_DEG)
    sin_zenith = np.sqrt(np.clip(1 - cos_zenith**2, 0, 1))
    cos_incidence = np.maximum(cos_zenith * np.cos(tilt) + sin_zenith * np.sin(tilt) * np.cos(azimuth - towards), 0)
    # Below 5 degrees the quotient explodes, and the harbour's sheds cast shade anyway.
    beam = np.where(cos_zenith > np.sin(np.radians(5)), (ghi - diffuse) * cos_incidence / up, 0.0)
    plane = beam + diffuse * (1 + np.cos(tilt)) / 2 + 0.15 * ghi * (1 - np.cos(tilt)) / 2
    cell_c = temperature_c + 0.026 * plane  # open to the sea wind
    dc_kw = PV_KWP * plane / 1000 * (1 - 0.0035 * (cell_c - 25)) * (1 - PV_LOSS_FRAC)
    # One of the four inverters stood still for some days in May, as happens.
    share = np.where((clock.day >= 131) & (clock.day <= 133), 0.75, 1.0)
    ac_kw = np.minimum(dc_kw, PV_INVERTER_KW) * share
    return np.where(ac_kw < 0.25, 0.0, ac_kw)


# --- the load ---------------------------------------------------------------------------------------------------------


def site_load_kw(clock: Clock, days: Days, temperature_c: FloatArray, ghi: FloatArray) -> FloatArray:
    """Return the consumption of the whole site."""
    parts = (
        refrigeration_kw(clock, days, temperature_c, ghi),
        blast_freezing_kw(clock, days),
        defrost_kw(clock, days, temperature_c),
        production_kw(clock, days),
        ice_making_kw(clock, days, temperature_c),
        lighting_kw(clock, days, ghi),
        offices_kw(clock, days, temperature_c),
        forklifts_kw(clock, days),
    )
    meter_noise = 1.1 * _rng("meter").standard_normal(len(clock.start))
    return np.sum(parts, axis=0) + meter_noise


def performance(temperature_c: FloatArray) -> FloatArray:
    """Return cold made over electricity used: a share of Carnot's limit, worse on warm days."""
    condensing_c = np.maximum(temperature_c + 11.0, 18.0)
    evaporating_k = EVAPORATING_C + 273.15
    return CARNOT_SHARE * evaporating_k / (condensing_c - EVAPORATING_C)


def refrigeration_kw(clock: Clock, days: Days, temperature_c: FloatArray, ghi: FloatArray) -> FloatArray:
    """Return compressors, condensers and fans that keep the rooms cold, without the blast tunnels."""
    n = len(clock.start)
    walls_kw = 3.75 * (_lag(temperature_c, 14.0) - ROOM_C) + 0.020 * _lag(ghi, 5.0)
    goods_kw = _lag(deliveries(clock, days) * (15.0 + 0.95 * np.maximum(temperature_c + 4.0, 0.0)), 1.4)
    monday = np.zeros(n)
    for day in np.flatnonzero((days.work == 1) & (np.roll(days.work, 1) == 0)):
        # The plant rests on a raised set point while the site is closed and pulls down before the first shift.
        monday[clock.steps_between(day, 4.5, 6.5)] = 38.0
    resting = np.where(days.work[clock.day] == 0, 0.93, 1.0)
    thermal_kw = walls_kw * resting + goods_kw + monday
    hunting = 1 + 0.05 * _memory(_rng("compressors"), n, 0.6) + 0.03 * _memory(_rng("set points"), n, 30)
    return thermal_kw / performance(temperature_c) * hunting + 26.0  # 26 kW: fans and pumps that always run


def deliveries(clock: Clock, days: Days) -> FloatArray:
    """Return the number of dock doors that stand open, as a mean over each step, with the warm goods behind them."""
    rng = _rng("deliveries")
    doors = np.zeros(len(clock.start))
    for day in np.flatnonzero(days.work > 0):
        for _ in range(rng.poisson(13 * days.work[day] * days.season[day])):
            hour = rng.triangular(5.75, 8.5, 16.5) if rng.random() < 0.75 else rng.triangular(11.0, 13.5, 17.5)
            steps = clock.steps_between(day, hour, hour + rng.uniform(0.4, 1.2))
            doors[steps] += rng.uniform(0.55, 1.25)
    return doors


def blast_freezing_kw(clock: Clock, days: Days) -> FloatArray:
    """Return two blast tunnels: a batch draws most at its start, when the fish is warm, and fades over three hours."""
    rng = _rng("tunnels")
    batch = np.array([64, 103, 108, 101, 91, 82, 74, 67, 61, 56, 51, 34], dtype=float)
    load = np.zeros(len(clock.start))
    chance_by_weekday = np.array([0.50, 0.72, 0.74, 0.66, 0.42, 0.10, 0.0])
    for day in np.flatnonzero(days.work > 0):
        busy = days.season[day] ** 1.4 * chance_by_weekday[days.date[day].day_of_week]
        # Boats land in the morning: the main batch goes in after sorting, a second one in the season.
        starts = []
        if rng.random() < busy:
            starts.append(rng.triangular(12.5, 14.25, 16.5))
        if rng.random() < 0.75 * (busy - 0.45):
            starts.append(rng.triangular(8.25, 9.5, 11.0))
        if rng.random() < 0.42 * (busy - 0.75):
            starts.append(rng.triangular(15.5, 17.0, 19.0))  # late boats: this one may run beside the main batch
        for hour in starts:
            first = clock.steps_between(day, hour, 24.0)[0]
            power = batch * rng.uniform(0.68, 1.04) * (1 + 0.03 * rng.standard_normal(len(batch)))
            load[first : first + len(batch)] += power[: len(load) - first]
    return load


def defrost_kw(clock: Clock, days: Days, temperature_c: FloatArray) -> FloatArray:
    """Return electric defrosting of five coolers, one after the other, more often when moist air comes in."""
    rng = _rng("defrost")
    load = np.zeros(len(clock.start))
    for day in range(len(days.date)):
        daily_c = temperature_c[clock.day == day].mean()
        rounds = (1.5, 9.75, 18.75) if daily_c > 11 and days.work[day] > 0 else (1.5, 18.75)
        for begin in rounds:
            for cooler in range(5):
                hour = begin + 0.75 * cooler + 0.25 * rng.integers(0, 2)
                steps = clock.steps_between(day, hour, hour + 0.5)[:2]  # two, though the clock may show the hour twice
                # 20 to 26 minutes of a 19 kW heater: one step full, one in part.
                load[steps] += 19.0 * np.array([1.0, rng.uniform(0.3, 0.75)])[: len(steps)]
    return load


def production_kw(clock: Clock, days: Days) -> FloatArray:
    """Return sorting, packing, conveyors, pumps and compressed air, with the bump when everything starts at once."""
    rng = _rng("production")
    load = np.zeros(len(clock.start))
    wobble = 1 + 0.11 * _memory(_rng("line"), len(load), 0.8)
    for day in np.flatnonzero(days.work > 0):
        begin = 6.0 + 0.25 * rng.integers(0, 3)
        full = 55.0 * days.work[day] ** 0.6 * min(days.season[day], 1.45) ** 0.7
        end = (15.25 if days.date[day].day_of_week < 4 else 14.25) + (1.75 if days.season[day] > 1.25 else 0.0)
        end = end if days.work[day] == 1 else 12.0
        end += 0.25 * rng.integers(-1, 3)
        load[clock.steps_between(day, begin, end)] += full
        load[clock.steps_between(day, begin, begin + 0.25)] += rng.uniform(16, 44) * days.work[day]  # start-up
        for pause_h, length_h in ((9.0, 0.25), (12.0, 0.5)):
            load[clock.steps_between(day, pause_h, pause_h + length_h)] -= 0.62 * full * (end > pause_h + length_h)
        load[clock.steps_between(day, end, end + 1.25)] += 17.0 * days.work[day]  # hot-water pumps: cleaning
        # Once in a while a second line or the big baler runs for part of the morning.
        if rng.random() < 0.18 * days.season[day]:
            hour = rng.uniform(7.5, 12.5)
            load[clock.steps_between(day, hour, hour + rng.uniform(0.5, 1.5))] += rng.uniform(18, 34)
    return np.maximum(load * wobble, 0.0)


def ice_making_kw(clock: Clock, days: Days, temperature_c: FloatArray) -> FloatArray:
    """Return the flake-ice machine for the boats: nights before landings, in two steps."""
    rng = _rng("ice")
    load = np.zeros(len(clock.start))
    for day in np.flatnonzero(np.roll(days.work, -1) > 0):
        wanted_h = (2.2 + 3.4 * (days.season[day] - 0.7)) * rng.uniform(0.7, 1.3)
        wanted_h *= 1 + 0.02 * (temperature_c[clock.day == day].mean() - 9)
        load[clock.steps_between(day, 21.0, min(21.0 + max(wanted_h, 0.5), 24.0))] += 17.0
    return load


def lighting_kw(clock: Clock, days: Days, ghi: FloatArray) -> FloatArray:
    """Return lamps inside during shifts and on the quay in the dark."""
    work = days.work[clock.day]
    shift = (clock.hour >= 5.5) & (clock.hour < np.where(days.season[clock.day] > 1.25, 18.0, 16.5))
    inside = np.where(shift, 1.8 + 8.0 * np.sqrt(work), 1.8)
    return inside + 3.6 * np.clip(1 - ghi / 60.0, 0, 1)


def offices_kw(clock: Clock, days: Days, temperature_c: FloatArray) -> FloatArray:
    """Return offices, canteen, heat pump, servers, frost protection of the floor and of doors."""
    work = days.work[clock.day]
    present = work * np.clip((clock.hour - 6.5) / 1.0, 0, 1) * np.clip((17.25 - clock.hour) / 1.5, 0, 1)
    canteen = 6.0 * work * ((clock.hour >= 10.75) & (clock.hour < 12.5))
    heating = np.maximum(14.0 - temperature_c, 0) * np.where(present > 0, 0.55, 0.26)
    cooling = np.maximum(temperature_c - 19.0, 0) * 0.8 * present
    frames = 0.22 * np.maximum(8.0 - temperature_c, 0)
    return 8.4 + 8.5 * present + canteen + heating + cooling + frames  # 8.4 kW: servers, pumps, floor heating


def forklifts_kw(clock: Clock, days: Days) -> FloatArray:
    """Return chargers of nine forklifts: plugged in after the shift, constant for a while, then tapering off."""
    rng = _rng("forklifts")
    load = np.zeros(len(clock.start))
    shape = np.array([1, 1, 1, 1, 1, 1, 1, 0.86, 0.70, 0.55, 0.42, 0.32, 0.23, 0.16, 0.10, 0.06])
    for day in np.flatnonzero(days.work > 0):
        for _ in range(9):
            need = np.clip(days.work[day] * days.season[day] ** 0.8 * rng.uniform(0.55, 1.0), 0.15, 1.3)
            first = clock.steps_between(day, rng.triangular(15.5, 16.75, 19.0), 24.0)[0]
            steps = shape[round(7 * (1 - min(need, 1.0))) :]
            load[first : first + len(steps)] += 5.2 * steps[: len(load) - first]
    return load


# --- day-ahead prices -------------------------------------------------------------------------------------------------


def make_prices() -> pd.DataFrame:
    """Return the hourly day-ahead prices (price_per_mwh) in EUR, indexed by local time."""
    clock = make_clock()
    price = day_ahead_price_per_mwh(residual_load(clock), fuel_level(clock))
    hourly = price.reshape(-1, 4).mean(axis=1).round(2) + 0.0  # + 0.0 turns -0.0 into 0.0
    return pd.DataFrame({"price_per_mwh": hourly}, index=clock.start[::4])


def area_demand(clock: Clock) -> FloatArray:
    """Return the demand of the price area: two peaks on working days, one late hump on others, more in winter."""
    date = pd.date_range(f"{YEAR}-01-01", f"{YEAR}-12-31", freq="D")
    rest_day = ((date.day_of_week >= 5) | date.isin(pd.DatetimeIndex(HOLIDAYS)))[clock.day]
    h = clock.hour
    awake = 1 / (1 + np.exp(-(h - 6.2) / 0.7)) - 1 / (1 + np.exp(-(h - 22.3) / 0.8))
    morning, evening = np.exp(-(((h - 8.0) / 1.6) ** 2)), np.exp(-(((h - 18.2) / 2.0) ** 2))
    working = 0.20 * awake + 0.08 * morning + 0.12 * evening
    resting = 0.10 * awake + 0.09 * evening
    winter = np.cos(2 * np.pi * (clock.day - 20) / 365)
    return 0.53 + 0.07 * winter + np.where(rest_day, resting, working) * (1 + 0.1 * winter)


def residual_load(clock: Clock) -> FloatArray:
    """Return what wind and sun leave of the demand, as a share of the highest demand; below 0 there is too much."""
    n = len(clock.start)
    winter = np.cos(2 * np.pi * (clock.day - 15) / 365)
    gusty = 1.25 * _memory(_rng("wind fronts"), n, 30) + 0.45 * _memory(_rng("wind hours"), n, 6)
    wind = 0.62 / (1 + np.exp(-(gusty - 0.7 + 0.3 * winter)))
    ghi = clearness(clock) * clear_sky_ghi(sun_position(clock.start)[0])
    sun = 0.62 * _lag(ghi, 1.0) / 900.0  # a whole area sees the clouds of one place blurred
    return area_demand(clock) - wind - sun


def fuel_level(clock: Clock) -> FloatArray:
    """Return how dear fuel is against its mean of the year: dear in winter, and it wanders from week to week."""
    winter = np.cos(2 * np.pi * (clock.day - 25) / 365)
    return 1 + 0.12 * winter + 0.08 * _memory(_rng("fuel"), len(clock.start), 400)


def day_ahead_price_per_mwh(residual: FloatArray, fuel: FloatArray) -> FloatArray:
    """Return the price: it climbs with the residual load, leaps where capacity is short, and dips where it is spilt."""
    climb = 20.0 + 132.0 * residual * fuel
    leap = 44.0 * np.logaddexp(0, (residual - 0.80) / 0.045)
    # Near zero offers lie close together; below it each further plant has to be paid more to stop.
    spilt = 9.0 * np.logaddexp(0, (-0.10 - residual) / 0.035)
    return np.where(climb > 0, climb, 0.3 * climb) + leap - spilt


# --- emission factors -------------------------------------------------------------------------------------------------


def make_factors() -> pd.DataFrame:
    """Return the hourly emission factors (average_kg_per_kwh, marginal_kg_per_kwh), indexed by local time."""
    clock = make_clock()
    residual = residual_load(clock).reshape(-1, 4).mean(axis=1)
    columns = {"average_kg_per_kwh": average_kg_per_kwh(residual), "marginal_kg_per_kwh": marginal_kg_per_kwh(residual)}
    return pd.DataFrame({name: one.round(3) for name, one in columns.items()}, index=clock.start[::4])


def average_kg_per_kwh(residual: FloatArray) -> FloatArray:
    """Return the factor of the mix: a little for what always burns, more as fuel fills what wind and sun leave."""
    return 0.04 + 0.34 * np.clip(residual, 0.0, 1.1)


def marginal_kg_per_kwh(residual: FloatArray) -> FloatArray:
    """Return the factor of the last plant: nothing where wind and sun are spilt, then gas, then older plants."""
    gas = 0.42 / (1 + np.exp(-(residual - 0.02) / 0.04))
    older = 0.38 / (1 + np.exp(-(residual - 0.78) / 0.05))
    return gas + older


# --- helpers ----------------------------------------------------------------------------------------------------------


def _rng(topic: str) -> np.random.Generator:
    """Return the generator of one topic, so that a change to one topic leaves all others as they are."""
    return np.random.default_rng([SEED, *topic.encode()])


def _memory(rng: np.random.Generator, n: int, tau_h: float) -> FloatArray:
    """Return noise of mean 0 and variance 1 whose correlation fades with the time constant `tau_h`."""
    keep = np.exp(-STEP_H / tau_h)
    shocks = rng.standard_normal(n)
    shocks[1:] *= np.sqrt(1 - keep**2)
    return _recursion(shocks, keep)


def _lag(values: FloatArray, tau_h: float) -> FloatArray:
    """Return what a thermal mass with the time constant `tau_h` makes of a signal; it starts in balance."""
    keep = np.exp(-STEP_H / tau_h)
    driven = (1 - keep) * values
    driven[0] = values[:STEPS_PER_DAY].mean()
    return _recursion(driven, keep)


def _recursion(driven: FloatArray, keep: float) -> FloatArray:
    out = np.empty_like(driven)
    state = 0.0
    for i, value in enumerate(driven.tolist()):
        state = keep * state + value
        out[i] = state
    return out


def _write_csv(table: pd.DataFrame, path: Path, decimals: int = 1) -> Path:
    """Write local stamps with their UTC offset, so that the hour that repeats in October is told apart."""
    stamps = [stamp.isoformat(timespec="minutes") for stamp in table.index]
    text = table.set_axis(pd.Index(stamps, name="time")).to_csv(float_format=f"%.{decimals}f", lineterminator="\n")
    path.write_bytes(text.encode("ascii"))
    return path


if __name__ == "__main__":
    for written in write_all(Path(__file__).parent):
        print(f"wrote {written} ({written.stat().st_size:,} bytes)")
