"""The site in a later year: its load has grown, its tariff has risen, its racks are worn."""

import datetime as dt
import math
from dataclasses import dataclass, replace

from crestfall.ageing import Fleet, worn_plant
from crestfall.scenario import TariffFile, TariffSheet
from crestfall.scenario.scenario_file import ForcedOutages
from crestfall.series import SiteBefore, SiteSeries
from crestfall.study._availability import Mask, forced_outages
from crestfall.study._inputs import Inputs
from crestfall.study._life_terms import LifeTerms
from crestfall.study._result import Before
from crestfall.study._rolling import Foreknown
from crestfall.study._run import reference_of
from crestfall.tariff import Rates, escalated

KNOWN_WEEKS = 8  # of the year before; no forecast looks back further
OUTAGE_H = 24.0  # about so long is each outage of a guaranteed availability: our choice, no source


def site_in_year(inputs: Inputs, terms: LifeTerms, year: int) -> Inputs:
    """
    Return the site in a year of operation, with the first year's weather and calendar.

    Parameters
    ----------
    inputs : Inputs
        The first year.
    terms : LifeTerms
        Growth of the load, and whether availability is as guaranteed.
    year : int
        Year of operation, 1 for the first.

    Returns
    -------
    Inputs
        Load and its reactive power grown, tariffs risen, forced outages of that year.
    """
    forced = inputs.forced_outage | _as_guaranteed(inputs, terms, year)
    if year == 1:
        return replace(inputs, forced_outage=forced)
    yearly = 1 + terms.life.load_growth_frac_per_year
    growth = yearly ** (year - 1)
    found = _unaided(inputs, terms, year)
    return replace(
        inputs,
        known=_known_after(inputs, growth, last_growth=growth / yearly),
        series=found.series,
        rates=found.rates,
        choices=found.choices,
        forced_outage=forced,
    )


def reference_in_year(inputs: Inputs, terms: LifeTerms, year: int) -> Before:
    """
    Return the site without the battery that the savings of a year of operation are counted from.

    Parameters
    ----------
    inputs : Inputs
        The first year.
    terms : LifeTerms
        Growth of the load.
    year : int
        Year of operation, 1 for the first.

    Returns
    -------
    Before
        Billed under its best contract; its ratchets look back at the year before without a battery.
    """
    return _unaided(inputs, terms, year).reference


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unaided:
    """What is the same in a year of operation whatever the battery."""

    series: SiteSeries
    rates: Rates
    choices: tuple[Rates, ...]
    reference: Before


def _unaided(inputs: Inputs, terms: LifeTerms, year: int) -> _Unaided:
    growth_frac = terms.life.load_growth_frac_per_year

    def make() -> _Unaided:
        site = inputs if year == 1 else _grown(inputs, growth_frac, year)
        last_year = None if year == 1 else _unaided(inputs, terms, year - 1).reference.readings
        reference = reference_of(replace(site, last_year=last_year))
        return _Unaided(series=site.series, rates=site.rates, choices=site.choices, reference=reference)

    return inputs.shared.in_year(inputs.scenario, inputs.series, year, growth_frac, make)


def _grown(inputs: Inputs, growth_frac: float, year: int) -> Inputs:
    series, scenario = inputs.series, inputs.scenario
    growth = (1 + growth_frac) ** (year - 1)
    series = replace(
        series, load_kw=growth * series.load_kw, kvar=None if series.kvar is None else growth * series.kvar
    )
    first = series.start[0].date()
    contract = tuple(_in_year(sheet, year, first) for sheet in scenario.contract)
    choices = [_in_year(sheet, year, first) for sheet in scenario.choices]
    return replace(
        inputs,
        series=series,
        rates=inputs.shared.rates(contract, series.start, series.step_h),
        choices=tuple(inputs.shared.rates((sheet,), series.start, series.step_h) for sheet in choices),
    )


def with_racks(site: Inputs, terms: LifeTerms, fleet: Fleet, *, health_frac: float, growth_frac: float) -> Inputs:
    """
    Return a site whose plant is made of these racks.

    Parameters
    ----------
    site : Inputs
        The site in a year.
    terms : LifeTerms
        What the racks are.
    fleet : Fleet
        The racks.
    health_frac : float
        Their state of health, mean of the year.
    growth_frac : float
        Growth of their resistance, mean of the year.

    Returns
    -------
    Inputs
        The same site with a worn plant.
    """
    plant = worn_plant(terms.plant(fleet.racks), health_frac=health_frac, resistance_growth_frac=growth_frac)
    return replace(site, plant=plant, health_frac=health_frac)


def _known_after(inputs: Inputs, growth: float, *, last_growth: float) -> Foreknown:
    """Return what the rolling policy knows at the start of a later year: the last weeks of the year before it."""
    series = inputs.series
    day = max(round(24 / series.step_h), 1)
    # The year has a day or two more than whole weeks; without them the weekdays follow one another.
    end = series.n_steps - series.n_steps // day % 7 * day
    weeks = slice(max(end - KNOWN_WEEKS * 7 * day, 0), end)
    before = SiteBefore(
        load_kw=last_growth * series.load_kw[weeks],
        pv_kw=series.pv_kw[weeks],
        temperature_c=None if series.temperature_c is None else series.temperature_c[weeks],
    )
    return replace(inputs.known.grown(growth), before=before)


def _as_guaranteed(inputs: Inputs, terms: LifeTerms, year: int) -> Mask:
    """Return the outages that a bank's case has to expect: days at random that make up what is not guaranteed."""
    warranty, n_steps, step_h = terms.rack.warranty, inputs.series.n_steps, inputs.series.step_h
    out_h = 0.0
    if terms.life.fade == "warranted" and warranty is not None:
        out_h = (1 - warranty.availability_frac) * n_steps * step_h
    events = math.ceil(out_h / OUTAGE_H)
    if events == 0:
        return forced_outages(None, n_steps, step_h)
    return forced_outages(ForcedOutages(events=events, hours=out_h / events, seed=year), n_steps, step_h)


def _in_year(sheet: TariffSheet, year: int, first: dt.date) -> TariffSheet:
    """Return a sheet as it is in a year: seen from the first year's calendar, and risen since it came into force."""
    tariff, later = sheet.file, year - 1
    since = max(0, tariff.valid_from.year - first.year)  # a sheet that comes later says what its own first year costs
    risen = escalated(_without_history(tariff), max(0, later - since))
    return replace(sheet, file=risen.model_copy(update={"valid_from": _years_before(tariff.valid_from, later)}))


def _years_before(day: dt.date, years: int) -> dt.date:
    return day.replace(year=day.year - years, day=min(day.day, 28) if day.month == 2 else day.day)


def _without_history(tariff: TariffFile) -> TariffFile:
    """Return a tariff whose ratchets look back at the year before: the history it gives lies before the first year."""
    charges = tuple(
        charge
        if charge.ratchet is None
        else charge.model_copy(update={"ratchet": charge.ratchet.model_copy(update={"history": None})})
        for charge in tariff.demand_charges
    )
    return tariff.model_copy(update={"demand_charges": charges})
