"""One load billed by one tariff, without a scenario around them."""

import io
import zoneinfo
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

from crestfall.errors import InputError, KeyedError, SeriesError
from crestfall.report._files import write_asked
from crestfall.report._tariff_words import GROUP_HEADINGS
from crestfall.scenario import SeriesFile, TariffFile, TariffSheet
from crestfall.series import Column, read_column
from crestfall.tariff import Rates, Readings, bill, rates_on

STEPS_MIN = (5, 10, 15, 20, 30, 60)
DEMAND_UNITS = ("kW", "kVA", "kvar")
YEAR_DAYS = 365


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadBill:
    """What a load costs by a tariff.

    Parameters
    ----------
    source : str
        File and column of the load.
    rates : Rates
        The tariff on the steps of the load.
    readings : Readings
        What the meter shows: all of the load is imported.
    table : DataFrame
        The bill, `BILL_COLUMNS`, a row for each line and period.
    """

    source: str
    rates: Rates
    readings: Readings
    table: pd.DataFrame

    @property
    def n_days(self) -> int:
        """Local days of the load."""
        return int(self.rates.start.normalize().nunique())


def lay_year(sheet: TariffSheet, *, year: int | None = None, zone: str | None = None, step_min: int = 15) -> Rates:
    """
    Lay a tariff on the steps of a calendar year.

    Parameters
    ----------
    sheet : TariffSheet
        A tariff that was loaded on its own.
    year : int, optional
        The year; left out: that of the first day on which the sheet is valid.
    zone : str, optional
        Time zone, region and city; left out: UTC, which has no clock changes.
    step_min : int, default=15
        Length of a step [min].

    Returns
    -------
    Rates
        The tariff on these steps.

    Raises
    ------
    InputError
        If zone or step are none, or a price from a file needs a zone.
    ScenarioError
        If the tariff does not fit the year.
    """
    if zone is None and _has_prices_from_a_file(sheet.file):
        raise InputError(
            "--zone is missing: the tariff has prices from a file, which must meet the local hours of a site\n"
            "    add the zone of the site, for example --zone Europe/Lisbon"
        )
    if step_min not in STEPS_MIN:
        raise InputError(f"--step-min: found {step_min}\n    choose one of {', '.join(map(str, STEPS_MIN))} minutes")
    first = pd.Timestamp(year=year or sheet.file.valid_from.year, month=1, day=1, tz=_zone(zone or "UTC"))
    axis = pd.date_range(first, first + pd.DateOffset(years=1), freq=f"{step_min}min", inclusive="left")
    return _laid(sheet, axis, step_min / 60)


def bill_load(
    sheet: TariffSheet,
    path: Path,
    *,
    zone: str | None,
    column: str = "load_kw",
    unit: str = "kW",
    power_factor_frac: float | None = None,
) -> LoadBill:
    """
    Bill a load by a tariff: all of it is imported, under the contract of today.

    Parameters
    ----------
    sheet : TariffSheet
        A tariff that was loaded on its own.
    path : Path
        CSV file with the columns `time` and `column`; its steps are those of the bill.
    zone : str or None
        Time zone of the site, in which the times of the tariff are meant; it must be given.
    column : str, default="load_kw"
        Column with the load.
    unit : {"kW", "kWh"}
        Whether it is mean power or energy of each step.
    power_factor_frac : float, optional
        Power factor of the load, which a tariff of kVA or reactive power needs.

    Returns
    -------
    LoadBill
        The bill with what it was made from.

    Raises
    ------
    InputError
        If the zone or the power factor is missing or none.
    SeriesError
        If the load is damaged, or is not made of whole days.
    ScenarioError
        If the tariff does not fit the load.
    """
    if zone is None:
        raise InputError(
            "--zone is missing: the times of a tariff are local times of the site\n"
            "    add its zone, for example --zone Europe/Lisbon"
        )
    if power_factor_frac is not None and not 0 < power_factor_frac <= 1:
        raise InputError(
            f"--power-factor: found {power_factor_frac:g}, expected a share above 0, at most 1\n    95 % is 0.95"
        )
    load = read_column(path, SeriesFile(file=str(path), column=column), site_zone=str(_zone(zone)))
    load_kw = load.readings / load.step_h if unit == "kWh" else load.readings
    _check_load(load, load_kw)
    rates = _laid(sheet, load.start, load.step_h)
    if rates.needs_kvar and power_factor_frac is None:
        raise InputError(
            "--power-factor is missing: the tariff bills kVA or reactive power\n"
            "    add the power factor of the load, for example --power-factor 0.9"
        )
    readings = Readings(
        import_kw=load_kw,
        export_kw=np.zeros_like(load_kw),
        kvar=None if power_factor_frac is None else load_kw * np.tan(np.arccos(power_factor_frac)),
    )
    table = bill(rates, readings, as_contracted=True)
    return LoadBill(source=load.source, rates=rates, readings=readings, table=table)


def bill_text(load_bill: LoadBill, *, width: int = 100) -> str:
    """
    Return a bill as a table for the terminal: each line over all periods, by group, with totals.

    Parameters
    ----------
    load_bill : LoadBill
        The bill of a load.
    width : int, default=100
        Columns of the terminal.

    Returns
    -------
    str
        Head, table and notes.
    """
    table, currency = load_bill.table, load_bill.rates.sheets[0].tariff.currency
    rows = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    rows.add_column(Text("line"), overflow="fold")
    for heading in ("quantity", "unit", "periods", f"amount [{currency}]", "group"):
        rows.add_column(Text(heading), justify="left" if heading == "unit" else "right", no_wrap=True)
    groups = table["group"].unique()
    for group, heading in GROUP_HEADINGS.items():
        if group not in groups:
            continue
        part = table[table["group"] == group]
        rows.add_row(Text(heading), "", "", "", "", f"{part['amount'].sum():,.2f}")
        for line in (line for line in load_bill.rates.line_groups if line in set(part["line"])):
            of_line = part[part["line"] == line]
            rows.add_row(
                Text(f"  {line}"),
                f"{of_line['quantity'].sum():,.1f}",
                Text(str(of_line["unit"].iloc[0])),
                str(of_line["period"].nunique()),
                f"{of_line['amount'].sum():,.2f}",
            )
    rows.add_row(Text("Total"), "", "", "", "", f"{table['amount'].sum():,.2f}")
    console = Console(file=io.StringIO(), width=max(width, 60), no_color=True, highlight=False, force_terminal=False)
    with console.capture() as capture:
        console.print(rows)
    lines = [line.rstrip() for line in capture.get().splitlines()]
    return "\n".join([*_head(load_bill), "", *lines, *(f"note: {note}" for note in _notes(load_bill))])


def write_bill(load_bill: LoadBill, path: Path) -> None:
    """
    Write all rows of a bill.

    Parameters
    ----------
    load_bill : LoadBill
        The bill of a load.
    path : Path
        A CSV file; an older one is replaced.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    text = load_bill.table.to_csv(index=False, float_format="%.6f", lineterminator="\n")
    write_asked(path, text.encode(), asked_by="--bill")


def _head(load_bill: LoadBill) -> Iterator[str]:
    import_kw, rates = load_bill.readings.import_kw, load_bill.rates
    first, last = (f"{rates.start[at]:%Y-%m-%d}" for at in (0, -1))
    yield f"Bill of {load_bill.source}"
    yield (
        f"{load_bill.n_days} days from {first} to {last}, {rates.start.tz}:"
        f" {import_kw.sum() * rates.step_h:,.0f} kWh,"
        f" highest mean of {60 * rates.step_h:g} minutes {import_kw.max():,.1f} kW"
    )


def _notes(load_bill: LoadBill) -> Iterator[str]:
    table, rates, tariff = load_bill.table, load_bill.rates, load_bill.rates.sheets[0].tariff
    is_demand = table["unit"].isin(DEMAND_UNITS)
    if table[is_demand].duplicated("line").any():
        yield "quantities are sums over all periods: 200 kW in each of 12 months stand as 2,400 kW"
    for line in rates.sheets[0].demand:
        if line.memory is not None and line.memory.history is None:
            yield f"the sheet gives no earlier peaks for '{line.name}'; this load's own stand in"
    if f"{rates.start[0]:%Y-%m-%d}" < str(tariff.valid_from):
        yield f"days before {tariff.valid_from}, from which the sheet is valid, are billed by it as well"
    if load_bill.n_days >= YEAR_DAYS and not rates.is_open_to(load_bill.readings):
        yield "the hours of use of this load do not place it on this tariff"


def _has_prices_from_a_file(tariff: TariffFile) -> bool:
    charges = (*tariff.energy_charges, *(tariff.export.charges or ()))
    return tariff.export.price_series is not None or any(charge.price_series is not None for charge in charges)


def _laid(sheet: TariffSheet, axis: pd.DatetimeIndex, step_h: float) -> Rates:
    try:
        return rates_on([sheet], axis, step_h=step_h)
    except KeyedError as error:
        raise sheet.located(error) from None


def _zone(name: str) -> zoneinfo.ZoneInfo:
    if name not in zoneinfo.available_timezones():
        raise InputError(
            f"--zone: found '{name}', expected an IANA time zone\n"
            "    write it as region and city, for example Europe/Lisbon, or UTC"
        )
    return zoneinfo.ZoneInfo(name)


def _check_load(load: Column, load_kw: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    below = np.flatnonzero(load_kw < 0)
    if below.size:
        raise SeriesError(
            f"{load.source}: {load.readings[below[0]]:g} at {load.start[below[0]]:%Y-%m-%d %H:%M %Z} is negative"
            f" ({below.size:,} such steps)\n    give what the site imports, without what it exports"
        )
    first, end = load.start[0], load.start[-1] + pd.Timedelta(hours=load.step_h)
    for stamp, verb in ((first, "begins"), (end, "ends")):
        if stamp != stamp.normalize():
            raise SeriesError(
                f"{load.source}: the load {verb} at {stamp:%Y-%m-%d %H:%M %Z}, expected midnight\n"
                "    whole local days are billed: cut the file, or check --zone"
            )
