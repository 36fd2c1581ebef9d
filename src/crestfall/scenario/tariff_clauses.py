"""The clauses that a tariff file is made of, each a block of keys; :mod:`.tariff_file` puts them together."""

import datetime as dt
from collections.abc import Iterable
from typing import Annotated, Literal, Self

import holidays
from pydantic import AfterValidator, Field, StringConstraints, field_validator, model_validator

from crestfall.scenario._base import Block, Item, Many, Name, wrong
from crestfall.scenario.series_file import SeriesFile


def existing_time(value: str) -> str:
    """Return a local time as it is, or raise if the calendar or the clock has no such time."""
    try:
        dt.datetime.fromisoformat(value)
    except ValueError:
        raise wrong("a day and a time that exist", "write year-month-day hour:minute, 00:00 to 23:59") from None
    return value


Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
MONTH_DAY_PATTERN = r"^(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$"
TIME_WINDOW_PATTERN = r"^([01]\d|2[0-3]):[0-5]\d-(([01]\d|2[0-3]):[0-5]\d|24:00)$"
LOCAL_TIME_PATTERN = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}$"
MonthDay = Annotated[str, StringConstraints(pattern=MONTH_DAY_PATTERN)]
TimeWindow = Annotated[str, StringConstraints(pattern=TIME_WINDOW_PATTERN)]
LocalTime = Annotated[str, StringConstraints(pattern=LOCAL_TIME_PATTERN), AfterValidator(existing_time)]
NonNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
AveragingMin = Literal[5, 10, 15, 20, 30, 60]
Period = Literal["day", "month", "season", "year"]


class Season(Block):
    """A range of dates that comes back every year."""

    first_day: MonthDay = Field(description="first day of the season as month-day, for example 11-01")
    last_day: MonthDay = Field(description="last day, included, as month-day; a season may run over New Year")

    @field_validator("first_day", "last_day")
    @classmethod
    def _exists(cls, value: str) -> str:
        return existing_day(value)


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
    only: Many[Name] | None = Field(
        default=None, description="names of the public holidays that the sheet lists; left out: all of them"
    )
    sunday_moves_to: Literal["stays", "monday"] = Field(
        default="stays", description="day on which a holiday that falls on a Sunday is kept instead"
    )
    saturday_moves_to: Literal["stays", "friday", "monday"] = Field(
        default="stays", description="day on which a holiday that falls on a Saturday is kept instead"
    )
    every_year: Many[MonthDay] = Field(default=(), description="further days that come back each year, month-day")
    extra_dates: Many[dt.date] = Field(default=(), description="further single dates, year-month-day; they never move")

    @field_validator("only")
    @classmethod
    def _only_not_empty(cls, value: Many[str] | None) -> Many[str] | None:
        return not_empty(value)

    @field_validator("every_year")
    @classmethod
    def _exist(cls, values: Many[str]) -> Many[str]:
        return tuple(existing_day(value) for value in values)

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
        if self.only is not None:
            self._check_names(self.only)
        return self

    def _check_names(self, only: Many[str]) -> None:
        if self.country is None:
            raise wrong("a country beside the names", "names are those of one country's holidays", key="only")
        # Over some years every holiday has occurred, also those that a year may lack.
        occurred = public_holidays(self.country, self.subdivision, range(2015, 2031))
        names = sorted({name for day in occurred for name in occurred.get_list(day)})
        for position, name in enumerate(only):
            if name not in names:
                raise wrong("the name of a holiday there", f"known ones: {', '.join(names)}", key=f"only/{position}")


class Billing(Block):
    """Where billing periods begin, and what a part of one costs."""

    reading_day: Annotated[int, Field(ge=1, le=31)] = Field(
        default=1,
        description="day of the month on which each billing period begins, or the last day of a shorter month",
    )
    reading_dates: Many[dt.date] = Field(
        default=(), description="first day of each billing period instead, year-month-day in order"
    )
    prorate: bool = Field(
        default=True, description="whether a part of a period costs its share of days; false: as much as a whole one"
    )
    standard_days: Annotated[int, Field(ge=1, le=366)] | None = Field(
        default=None, description="amounts, demand rates and block sizes hold for so many days, whatever the month has"
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.reading_dates and self.reading_day != 1:
            raise wrong("reading_day or reading_dates, not both", "leave one of them out", key="reading_dates")
        if list(self.reading_dates) != sorted(set(self.reading_dates)):
            raise wrong("dates in order, each once", "sort them", key="reading_dates")
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


class Windowed(Block):
    """What may hold at some times only."""

    when: Many[When] | None = Field(default=None, description="where it applies; left out: see the kind of charge")

    @field_validator("when")
    @classmethod
    def _when_not_empty(cls, value: Many[When] | None) -> Many[When] | None:
        return not_empty(value)


class PriceSeries(SeriesFile):
    """A price that changes from step to step, and what the contract makes of it."""

    unit: Literal["per_kwh", "per_mwh"] = Field(description="per_kwh or per_mwh, in the tariff's currency")
    multiplier: float = Field(default=1.0, description="factor on the price of the file, for example for losses")
    adder_per_kwh: float = Field(default=0.0, description="added to each price after the factor")
    floor_per_kwh: float | None = Field(default=None, description="lowest price after factor and adder")
    cap_per_kwh: float | None = Field(default=None, description="highest price after factor and adder")

    @model_validator(mode="after")
    def _floor_below_cap(self) -> Self:
        if self.floor_per_kwh is not None and self.cap_per_kwh is not None and self.floor_per_kwh > self.cap_per_kwh:
            raise wrong("a floor below the cap", "swap the two", key="floor_per_kwh")
        return self


class Tier(Block):
    """A block of energy with its own price."""

    upto_kwh: Positive | None = Field(default=None, description="kWh of a period up to which it holds")
    upto_hours: Positive | None = Field(
        default=None, description="hours use of demand (kWh per unit of billed peak) up to which it holds"
    )
    rate_per_kwh: float = Field(description="price of one kWh of this block")


class PricedEnergy(Windowed):
    """Energy with one of three kinds of price."""

    name: Name = Field(description="the name on the bill")
    rate_per_kwh: float | None = Field(default=None, description="price of one kWh in the tariff's currency")
    price_series: PriceSeries | None = Field(default=None, description="a price from a file instead")

    @model_validator(mode="after")
    def _one_price(self) -> Self:
        given = [key for key in ("rate_per_kwh", "price_series", "tiers") if getattr(self, key, None) is not None]
        if len(given) != 1:
            kinds = "rate_per_kwh, price_series or tiers" if hasattr(self, "tiers") else "rate_per_kwh or price_series"
            raise wrong(f"one of {kinds}", "a charge has one price" if given else "say what a kWh costs")
        return self


class EnergyCharge(PricedEnergy):
    """A price of imported energy."""

    component: Name = Field(
        default="Energy",
        description="part of the price it belongs to; in each part every step has one price, and the parts add up",
    )
    tiers: Many[Tier] | None = Field(default=None, description="blocks instead, each with its price, the last open")
    tier_period: Literal["month", "year"] = Field(
        default="month", description="what the blocks are counted over: the billing period, or the year"
    )
    hours_of: str | None = Field(
        default=None, description="name of the demand charge whose billed peak upto_hours is counted by"
    )

    @field_validator("tiers")
    @classmethod
    def _tiers_rise(cls, tiers: Many[Tier] | None) -> Many[Tier] | None:
        if tiers is None:
            return None
        if len(tiers) < 2 or tiers[-1].upto_kwh is not None or tiers[-1].upto_hours is not None:
            raise wrong("two or more blocks, the last without an upper end", "the last block takes what is left")
        kinds = {(tier.upto_kwh is not None, tier.upto_hours is not None) for tier in tiers[:-1]}
        if kinds not in ({(True, False)}, {(False, True)}):
            raise wrong("upto_kwh in all blocks but the last, or upto_hours in all", "one charge, one kind of block")
        ends = [tier.upto_kwh or tier.upto_hours or 0.0 for tier in tiers[:-1]]
        if ends != sorted(set(ends)):
            raise wrong("upper ends that rise", "each block begins where the one before ends")
        return tiers

    @model_validator(mode="after")
    def _hours_of_a_demand(self) -> Self:
        counts_hours = self.tiers is not None and self.tiers[0].upto_hours is not None
        if counts_hours != (self.hours_of is not None):
            raise wrong("hours_of together with upto_hours", "name the demand charge, or count by kWh", key="hours_of")
        return self


class Ratchet(Block):
    """A share of earlier peaks below which billed demand does not fall."""

    share_frac: Annotated[float, Field(gt=0, le=1)] = Field(
        description="share of the highest earlier peak as measured, 0 to 1"
    )
    preceding_periods: Annotated[int, Field(ge=1, le=36)] = Field(
        default=11, description="how many periods before the current one count"
    )
    months: Many[Annotated[int, Field(ge=1, le=12)]] | None = Field(
        default=None, description="of these periods only those that begin in the named months; left out: all"
    )
    counts_current: bool = Field(
        default=True, description="whether the current period's own peak is billed too, if it is higher"
    )
    history: Many[NonNegative] | None = Field(
        default=None,
        description="measured peaks of the periods before the data, oldest first, in the unit of the charge; left out:"
        " the site's own peaks of the year without the battery, or those of the year before",
    )

    @field_validator("months")
    @classmethod
    def _months_not_empty(cls, value: Many[int] | None) -> Many[int] | None:
        return not_empty(value)


class Measured(Windowed):
    """Demand as a meter takes it, priced by the kW or by the kVA."""

    name: Name = Field(description="the name on the bill")
    rate_per_kw: NonNegative | None = Field(default=None, description="price of one kW and period")
    rate_per_kva: NonNegative | None = Field(default=None, description="price of one kVA and period instead")
    per_day: bool = Field(default=False, description="whether the rate is for one day of the period, not for all of it")
    averaging_min: AveragingMin = Field(description="minutes over which the meter averages demand")
    sliding: bool = Field(
        default=False, description="whether an interval may begin at each step; false: intervals follow the clock"
    )
    period: Period = Field(default="month", description="what the peak is taken over: day, month, season or year")

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if (self.rate_per_kw is None) == (self.rate_per_kva is None):
            raise wrong("rate_per_kw or rate_per_kva", "the rate says what is measured")
        return self

    @property
    def rate(self) -> float:
        """Price of one unit and period."""
        return self.rate_per_kw if self.rate_per_kw is not None else self.rate_per_kva or 0.0

    @property
    def unit(self) -> Literal["kW", "kVA"]:
        """What is measured."""
        return "kVA" if self.rate_per_kw is None else "kW"


class DemandCharge(Measured):
    """A price of the highest mean import of each period."""

    minimum_demand: NonNegative = Field(default=0.0, description="least demand that is billed, kW or kVA as the rate")
    free_demand: NonNegative = Field(default=0.0, description="part of the demand that costs nothing, kW or kVA")
    power_factor_target_frac: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None,
        description="billed demand is never below this share of the highest kVA, which is kW times target over actual"
        " power factor",
    )
    ratchet: Ratchet | None = Field(default=None, description="memory of earlier peaks")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.power_factor_target_frac is not None and self.unit == "kVA":
            raise wrong("rate_per_kw beside it", "kVA already count the power factor", key="power_factor_target_frac")
        if self.ratchet is not None and self.period == "day":
            raise wrong("a period of a month or longer", "a ratchet looks back over whole periods", key="ratchet")
        return self


class CapacityCharge(Measured):
    """A price of a contracted level of demand, and of what goes beyond it."""

    period: Literal["month", "season", "year"] = Field(
        default="month", description="what the peak is taken over: month (the billing period), season or year"
    )
    contracted_demand: NonNegative | None = Field(
        default=None, description="level in the contract today, kW or kVA as the rate; left out: the best one"
    )
    choose: bool = Field(default=False, description="whether the site may set another level for the year studied")
    least_demand: NonNegative = Field(default=0.0, description="lowest level that may be chosen, kW or kVA")
    excess_rate: NonNegative = Field(description="price of one unit and period above the contracted level")

    @model_validator(mode="after")
    def _has_a_level(self) -> Self:
        if self.contracted_demand is None and not self.choose:
            raise wrong("contracted_demand, or choose: true", "say what is contracted, or let it be chosen")
        return self


class CoincidentCharge(Block):
    """A price of the mean import at named times, such as the peaks of the whole system."""

    name: Name = Field(description="the name on the bill")
    rate_per_kw: float = Field(description="price of one kW of the mean import at these times, for the year")
    times: Many[LocalTime] = Field(min_length=1, description="local start of each interval, year-month-day hour:minute")
    duration_min: AveragingMin = Field(default=60, description="length of each interval, minutes")


class Baseline(Block):
    """What the site would have used in an event, worked out without the battery."""

    method: Literal["preceding_days"] = Field(
        default="preceding_days",
        description="preceding_days: mean import at the same time of day on the latest days of the same kind (working"
        " day, or weekend and holiday) without an event",
    )
    days: Annotated[int, Field(ge=1, le=60)] = Field(default=10, description="how many such days count")
    highest: Annotated[int, Field(ge=1, le=60)] | None = Field(
        default=None, description="of these only so many with the highest import in the hours of the event"
    )


class Event(Block):
    """A call to use less."""

    start: LocalTime = Field(description="local start, year-month-day hour:minute")
    duration_min: Annotated[int, Field(gt=0, le=1440)] = Field(description="length, minutes")


class EventPayment(Block):
    """A payment for import below a baseline in called events."""

    name: Name = Field(description="the name on the bill")
    rate_per_kwh: NonNegative = Field(description="payment for one kWh below the baseline of an event")
    events: Many[Event] = Field(min_length=1, description="the events")
    baseline: Baseline = Field(default_factory=Baseline, description="how the baseline is worked out")


class ReactiveCharge(Windowed):
    """A price of reactive energy or reactive demand beyond a free share."""

    name: Name = Field(description="the name on the bill")
    rate_per_kvarh: float | None = Field(default=None, description="price of one kvarh beyond free_share_of_kwh")
    free_share_of_kwh: NonNegative | None = Field(default=None, description="free kvarh for each imported kWh")
    rate_per_kvar: float | None = Field(default=None, description="price of one kvar of the peak instead")
    free_share_of_kw: NonNegative | None = Field(default=None, description="free kvar for each kW of the peak")

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        energy = self.rate_per_kvarh is not None and self.free_share_of_kwh is not None
        demand = self.rate_per_kvar is not None and self.free_share_of_kw is not None
        given = [self.rate_per_kvarh, self.rate_per_kvar, self.free_share_of_kwh, self.free_share_of_kw]
        if energy == demand or sum(v is not None for v in given) != 2:
            raise wrong(
                "rate_per_kvarh with free_share_of_kwh, or rate_per_kvar with free_share_of_kw",
                "a free share of 0 charges all of it",
            )
        return self


class FixedCharge(Block):
    """An amount that is due whatever is used."""

    name: Name = Field(description="the name on the bill")
    amount_per_day: float | None = Field(default=None, description="amount due each day")
    amount_per_month: float | None = Field(default=None, description="amount due each billing period")
    amount_per_year: float | None = Field(default=None, description="amount due each year, spread over its days")
    meters: Annotated[int, Field(ge=1)] = Field(default=1, description="how many meters it is due for")

    @model_validator(mode="after")
    def _one_amount(self) -> Self:
        if sum(v is not None for v in (self.amount_per_day, self.amount_per_month, self.amount_per_year)) != 1:
            raise wrong("one of amount_per_day, amount_per_month, amount_per_year", "one charge, one amount")
        return self


class MinimumBill(Block):
    """A least sum of some lines in each billing period, before surcharges."""

    name: Name = Field(default="Minimum bill", description="the name on the bill of what is added to reach it")
    amount_per_month: NonNegative = Field(description="least sum in each billing period")
    on: Many[Name] = Field(min_length=1, description="lines or groups that count towards it, or all")


class Surcharge(Block):
    """A share of other lines: a tax, a levy, a discount."""

    name: Name = Field(description="the name on the bill")
    share_frac: Annotated[float, Field(ge=-1, le=1)] = Field(description="share of those lines, 0.07 for 7 %")
    on: Many[Name] = Field(
        min_length=1, description="lines or groups, surcharges written earlier by their name, or all written before it"
    )


class Rounding(Block):
    """How the sheet rounds, half away from zero; left out: not at all."""

    amount_decimals: Annotated[int, Field(ge=0, le=6)] | None = Field(default=None, description="of each line's amount")
    demand_decimals: Annotated[int, Field(ge=0, le=6)] | None = Field(
        default=None, description="of kW, kVA and kvar before they are priced"
    )
    energy_decimals: Annotated[int, Field(ge=0, le=6)] | None = Field(
        default=None, description="of kWh and kvarh before they are priced"
    )


class NetMetering(Block):
    """Export set off against import, kWh for kWh, on each energy charge of a billing period."""

    carry_over: bool = Field(default=True, description="whether unused credit goes on to the next billing period")
    settlement_rate_per_kwh: NonNegative = Field(
        default=0.0,
        description="payment for credit left at the end of the data or of the sheet, or of each period without"
        " carry-over, on the first component of the energy charges",
    )


class Export(Block):
    """What exported energy earns, and what may be exported."""

    rate_per_kwh: float | None = Field(default=None, description="price paid to the site for one exported kWh")
    price_series: PriceSeries | None = Field(default=None, description="a price from a file instead")
    charges: Many[PricedEnergy] | None = Field(
        default=None, min_length=1, description="prices by season, day type and time instead, one for each step"
    )
    net_metering: NetMetering | None = Field(default=None, description="kWh set off against kWh instead of a price")
    limit_kw: NonNegative | None = Field(default=None, description="most export that the tariff admits, 0 for none")
    battery_exports: Literal["paid", "unpaid", "forbidden"] = Field(
        default="paid", description="whether energy beyond the PV surplus of a step is paid, or may leave the site"
    )
    battery_charges_from: Literal["anything", "pv", "pv_surplus"] = Field(
        default="anything",
        description="pv: never more than the PV of the step; pv_surplus: never more than PV beyond the load",
    )

    @model_validator(mode="after")
    def _one_price(self) -> Self:
        kinds = ("rate_per_kwh", "price_series", "charges", "net_metering")
        if sum(getattr(self, kind) is not None for kind in kinds) > 1:
            raise wrong(f"at most one of {', '.join(kinds)}", "export is paid in one way")
        return self


class HoursOfUse(Block):
    """The annual hours of use (imported kWh over the highest kW of the year) that place a site on this tariff."""

    at_least_h: NonNegative = Field(default=0.0, description="fewest hours of use")
    below_h: Annotated[float, Field(gt=0)] | None = Field(default=None, description="hours from which it ends")


class Escalation(Block):
    """How rates rise from year to year after the first, by group of lines, as a share a year."""

    energy_frac_per_year: float = Field(default=0.0, gt=-1, le=1, description="energy charges")
    demand_frac_per_year: float = Field(default=0.0, gt=-1, le=1, description="demand, capacity, coincident, reactive")
    fixed_frac_per_year: float = Field(default=0.0, gt=-1, le=1, description="fixed charges and minimum bill")
    export_frac_per_year: float = Field(default=0.0, gt=-1, le=1, description="export prices and event payments")


def public_holidays(country: str, subdivision: str | None, years: Iterable[int]) -> holidays.HolidayBase:
    """Return the holidays of a country, without substitute days, named in its own language and not the machine's."""
    language = holidays.country_holidays(country).default_language
    return holidays.country_holidays(country, subdiv=subdivision, years=years, observed=False, language=language)


def not_empty(entries: Many[Item] | None) -> Many[Item] | None:
    """Return a list as it is, or raise if it is there and holds nothing."""
    if entries == ():
        raise wrong("at least one entry", "leave the key out where it does not restrict")
    return entries


def existing_day(value: str) -> str:
    """Return a month-day as it is, or raise if no year has it."""
    try:
        dt.date.fromisoformat(f"2024-{value}")  # a leap year, so that 02-29 is a date
    except ValueError:
        raise wrong("a day that exists, as month-day", "February has at most 29 days, four months have 30") from None
    return value
