"""The tariff file: charges as a tariff sheet states them."""

import datetime as dt
from typing import Annotated, Literal, Self

import holidays
from pydantic import Field, StringConstraints, field_validator, model_validator

from crestfall.scenario._base import Block, CurrencyCode, FormatVersion, Item, Many, Name, wrong

EXPORT_LINE = "Export"  # the line of the bill for what the site sells; no charge may take its name
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
MONTH_DAY_PATTERN = r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$"
TIME_WINDOW_PATTERN = r"^([01]\d|2[0-3]):[0-5]\d-(([01]\d|2[0-3]):[0-5]\d|24:00)$"
MonthDay = Annotated[str, StringConstraints(pattern=MONTH_DAY_PATTERN)]
TimeWindow = Annotated[str, StringConstraints(pattern=TIME_WINDOW_PATTERN)]


class Season(Block):
    """A range of dates that comes back every year."""

    first_day: MonthDay = Field(description="first day of the season as month-day, for example 11-01")
    last_day: MonthDay = Field(description="last day, included, as month-day; a season may run over New Year")

    @field_validator("first_day", "last_day")
    @classmethod
    def _exists(cls, value: str) -> str:
        try:
            dt.date.fromisoformat(f"2024-{value}")  # a leap year, so that 02-29 is a date
        except ValueError:
            raise wrong(
                "a day that exists, as month-day", "February has at most 29 days, four months have 30"
            ) from None
        return value


class DayType(Block):
    """A set of days that share prices."""

    weekdays: Many[Weekday] = Field(description="days of the week: mon, tue, wed, thu, fri, sat, sun")
    on_holidays: Literal["as_weekday", "never", "always"] = Field(
        default="as_weekday",
        description="always: every holiday belongs here; never: none does; as_weekday: the weekday decides",
    )


class Holidays(Block):
    """Days that a day type may treat apart."""

    country: str | None = Field(default=None, description="two-letter country code whose public holidays count")
    subdivision: str | None = Field(default=None, description="state or region, as the `holidays` library codes it")
    extra_dates: Many[dt.date] = Field(default=(), description="further dates, year-month-day")

    @model_validator(mode="after")
    def _known(self) -> Self:
        known = holidays.list_supported_countries()
        if self.country is not None and self.country not in known:
            raise wrong(
                "a two-letter country code", "for example DE, PT, US; or list the days in extra_dates", key="country"
            )
        if self.subdivision is not None and self.subdivision not in known.get(self.country or "", []):
            options = ", ".join(known.get(self.country or "", [])[:20]) or "none, for it needs a country"
            raise wrong("a subdivision of that country", f"known ones: {options}", key="subdivision")
        return self


class When(Block):
    """Steps in the named seasons, on the named day types, at the named times; what is left out does not restrict."""

    seasons: Many[str] | None = Field(default=None, description="names of seasons of this file")
    day_types: Many[str] | None = Field(default=None, description="names of day types of this file")
    times: Many[TimeWindow] | None = Field(
        default=None, description="windows of local time, for example 17:00-20:30; 22:00-06:00 runs over midnight"
    )

    @field_validator("seasons", "day_types", "times")
    @classmethod
    def _not_empty(cls, value: Many[str] | None) -> Many[str] | None:
        return not_empty(value)


class EnergyCharge(Block):
    """A price of imported energy."""

    name: Name = Field(description="the name on the bill")
    rate_per_kwh: float = Field(description="price of one kWh in the tariff's currency")
    when: Many[When] | None = Field(
        default=None, description="where it applies; left out: at all times that no other energy charge claims"
    )

    @field_validator("when")
    @classmethod
    def _not_empty(cls, value: Many[When] | None) -> Many[When] | None:
        return not_empty(value)


class DemandCharge(Block):
    """A price of the highest mean import of each calendar month."""

    name: Name = Field(description="the name on the bill")
    rate_per_kw_month: float = Field(description="price of one kW of the month's billed peak")
    averaging_min: Literal[5, 10, 15, 20, 30, 60] = Field(
        description="minutes over which the meter averages demand; must equal the step of the data"
    )
    when: Many[When] | None = Field(default=None, description="where it is measured; left out: at all times")

    @field_validator("when")
    @classmethod
    def _not_empty(cls, value: Many[When] | None) -> Many[When] | None:
        return not_empty(value)


class FixedCharge(Block):
    """An amount that is due each month whatever is used."""

    name: Name = Field(description="the name on the bill")
    amount_per_month: float = Field(description="amount due each calendar month")


class Export(Block):
    """What exported energy earns."""

    rate_per_kwh: float = Field(default=0.0, description="price paid to the site for one exported kWh")


class TariffFile(Block):
    """A tariff file of format version 1."""

    crestfall_tariff: FormatVersion = Field(description="version of the file format; this Crestfall reads version 1")
    title: Name = Field(description="title of the tariff sheet")
    currency: CurrencyCode = Field(description="three-letter currency code, for example EUR")
    valid_from: dt.date = Field(description="first day on which the sheet is valid, year-month-day")
    allow_negative: bool = Field(default=False, description="true if a rate below zero is meant")
    seasons: dict[str, Season] = Field(default_factory=dict, description="named ranges of dates")
    day_types: dict[str, DayType] = Field(default_factory=dict, description="named sets of days")
    holidays: Holidays = Field(default_factory=Holidays, description="which days are holidays")
    energy_charges: Many[EnergyCharge] = Field(min_length=1, description="prices of imported energy")
    demand_charges: Many[DemandCharge] = Field(default=(), description="prices of the month's peak import")
    fixed_charges: Many[FixedCharge] = Field(default=(), description="amounts due each month")
    export: Export = Field(default_factory=Export, description="what exported energy earns")

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        _check_names_are_known(self)
        _check_lines_have_their_own_names(self)
        _check_one_remainder(self)
        if not self.allow_negative:
            _check_no_negative_rate(self)
        return self


def not_empty(entries: Many[Item] | None) -> Many[Item] | None:
    """Return a list as it is, or raise if it is there and holds nothing."""
    if entries == ():
        raise wrong("at least one entry", "leave the key out where it does not restrict")
    return entries


def _check_names_are_known(tariff: TariffFile) -> None:
    for group in ("energy_charges", "demand_charges"):
        for i, charge in enumerate(getattr(tariff, group)):
            for j, when in enumerate(charge.when or ()):
                for key, known in (("seasons", tariff.seasons), ("day_types", tariff.day_types)):
                    for k, name in enumerate(getattr(when, key) or ()):
                        if name not in known:
                            listed = ", ".join(known) or "none is defined"
                            raise wrong(
                                f"a name from {key}",
                                f"defined in this file: {listed}",
                                key=f"{group}/{i}/when/{j}/{key}/{k}",
                            )


def _check_lines_have_their_own_names(tariff: TariffFile) -> None:
    seen = {EXPORT_LINE}
    for group in ("energy_charges", "demand_charges", "fixed_charges"):
        for i, charge in enumerate(getattr(tariff, group)):
            if charge.name in seen:
                raise wrong(
                    "a name that no other charge has",
                    "each line of the bill needs its own name",
                    key=f"{group}/{i}/name",
                )
            seen.add(charge.name)


def _check_one_remainder(tariff: TariffFile) -> None:
    open_ended = [i for i, charge in enumerate(tariff.energy_charges) if charge.when is None]
    if len(open_ended) > 1:
        raise wrong(
            "'when' on all energy charges but one",
            "two charges cannot both have all remaining times",
            key=f"energy_charges/{open_ended[1]}",
        )


def _check_no_negative_rate(tariff: TariffFile) -> None:
    rates = [
        *((f"energy_charges/{i}/rate_per_kwh", c.rate_per_kwh) for i, c in enumerate(tariff.energy_charges)),
        *((f"demand_charges/{i}/rate_per_kw_month", c.rate_per_kw_month) for i, c in enumerate(tariff.demand_charges)),
        *((f"fixed_charges/{i}/amount_per_month", c.amount_per_month) for i, c in enumerate(tariff.fixed_charges)),
        ("export/rate_per_kwh", tariff.export.rate_per_kwh),
    ]
    for key, rate in rates:
        if rate < 0:
            raise wrong("a number >= 0", "set allow_negative: true if a rate below zero is meant", key=key)
