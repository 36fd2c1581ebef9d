"""What the cases of one process have in common: interval data read once, tariffs laid out once."""

from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from crestfall.scenario import Scenario, TariffSheet
from crestfall.series import SiteSeries, read_site_series
from crestfall.tariff import Rates, rates_on

T = TypeVar("T")
MOST_SERIES = 8  # a year of quarter hours takes about a megabyte
MOST_TARIFFS = 48  # of a few megabytes each: a horizon of 40 years, and some to choose from


class _Same:
    """An object as a key that is found by this very object alone, which lives as long as the key."""

    __slots__ = ("_one",)

    def __init__(self, one: object) -> None:
        self._one = one

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self._one is other._one

    def __hash__(self) -> int:
        return id(self._one)


@dataclass(slots=True)
class Shared:
    """Interval data and laid out tariffs, kept until they change.

    A key is everything that the content depends on, with size and time of the files, so that a file that changes while
    a session lasts is read again.
    """

    _series: "OrderedDict[Hashable, SiteSeries]" = field(default_factory=OrderedDict, repr=False)
    _without: "OrderedDict[Hashable, Any]" = field(default_factory=OrderedDict, repr=False)
    _years: "OrderedDict[Hashable, Any]" = field(default_factory=OrderedDict, repr=False)
    _rates: "OrderedDict[Hashable, Rates]" = field(default_factory=OrderedDict, repr=False)
    _first_on: "OrderedDict[Hashable, Rates]" = field(default_factory=OrderedDict, repr=False)

    def series(self, scenario: Scenario) -> SiteSeries:
        """Return the interval data of a scenario."""
        return _kept(self._series, _site_key(scenario), MOST_SERIES, lambda: read_site_series(scenario))

    def without_battery(self, scenario: Scenario, days_seed: int | None, make: Callable[[], Any]) -> Any:
        """Return what `make` finds of the site without a battery: it depends on the site and its tariffs alone."""
        return _kept(self._without, (days_seed, *_site_and_tariffs_key(scenario)), MOST_SERIES, make)

    def in_year(self, scenario: Scenario, series: SiteSeries, year: int, growth: float, make: Callable[[], T]) -> T:
        """Return what `make` finds of the site without a battery in a year of life: all options see the same."""
        key = (year, growth, _Same(series), *_site_and_tariffs_key(scenario))
        found: T = _kept(self._years, key, MOST_TARIFFS, make)
        return found

    def rates(self, sheets: Sequence[TariffSheet], start: pd.DatetimeIndex, step_h: float) -> Rates:
        """Return tariff sheets laid on a time axis; whatever is laid on the same one takes over its calendar."""
        axis = (start[0], start[-1], str(start.tz), len(start), step_h)
        key = (axis, *map(_sheet_key, sheets))
        like = self._first_on.get(axis)
        rates = _kept(self._rates, key, MOST_TARIFFS, lambda: rates_on(sheets, start, step_h=step_h, like=like))
        _kept(self._first_on, axis, MOST_SERIES, lambda: rates)
        return rates


def _kept(store: "OrderedDict[Hashable, T]", key: Hashable, most: int, make: Callable[[], T]) -> T:
    """Return what is kept under a key, or make and keep it; what was asked for longest ago goes first."""
    if key not in store:
        store[key] = make()
        while len(store) > most:
            store.popitem(last=False)
    store.move_to_end(key)
    return store[key]


def _site_key(scenario: Scenario) -> Hashable:
    ask = scenario.ask
    factors = "" if ask.emissions is None else ask.emissions.model_dump_json()
    support = "" if ask.reactive_support is None else ask.reactive_support.model_dump_json()
    files = [
        path for name, path in scenario.input_files().items() if name.startswith(("site.", "reactive_", "emissions."))
    ]
    return scenario.path.parent, ask.site.model_dump_json(), support, factors, *map(_state, files)


def _site_and_tariffs_key(scenario: Scenario) -> tuple[Hashable, ...]:
    return _site_key(scenario), *map(_sheet_key, (*scenario.contract, *scenario.choices))


def _sheet_key(sheet: TariffSheet) -> Hashable:
    return sheet.document, sheet.folder, sheet.file.model_dump_json(), *map(_state, sheet.price_files)


def _state(path: Path) -> Hashable:
    try:
        found = path.stat()
    except OSError:
        return path, None  # the reader says what is wrong with it
    return path, found.st_size, found.st_mtime_ns
