"""The scenario file: one question about one site."""

import zoneinfo
from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag, field_validator

from crestfall.scenario._base import Block, CurrencyCode, FormatVersion, Many, Name, Share, wrong
from crestfall.scenario.tariff_file import TariffFile

NonNegative = Annotated[float, Field(ge=0)]
FileName = Annotated[str, Field(min_length=1)]


class SeriesFile(Block):
    """One column of interval data in a CSV file."""

    file: FileName = Field(description="CSV file, relative to this YAML file")
    time_column: str = Field(
        default="time", description="column with the time stamps, ISO 8601, local or with UTC offset"
    )
    column: str = Field(description="column with the values")
    time_zone: str | None = Field(
        default=None, description="zone of stamps without UTC offset; left out: the zone of the site"
    )
    stamp: Literal["start", "end"] = Field(
        default="start", description="whether a stamp marks the start or the end of its step"
    )

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        return value if value is None else known_zone(value)


class EnergySeries(SeriesFile):
    """Interval data of power or energy."""

    unit: Literal["kW", "kWh"] = Field(description="kW (mean power over the step) or kWh (energy per step)")


class TemperatureSeries(SeriesFile):
    """Interval data of ambient temperature."""

    unit: Literal["C"] = Field(description="C, degrees Celsius")


class Site(Block):
    """The premises behind one point of connection."""

    name: Name = Field(description="name of the site, shown on the report")
    time_zone: str = Field(description="IANA time zone of the site, for example Europe/Lisbon")
    load: EnergySeries = Field(description="consumption of the site")
    pv: EnergySeries | None = Field(default=None, description="available PV generation; left out: none")
    temperature: TemperatureSeries | None = Field(default=None, description="ambient temperature; left out: unknown")
    import_limit_kw: NonNegative | None = Field(
        default=None, description="most import at the point of connection; left out: no limit"
    )
    export_limit_kw: NonNegative | None = Field(
        default=None, description="most export at the point of connection; left out: no limit"
    )

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        return known_zone(value)


class OptionChoice(Block):
    """A number of racks and of modules; 0 and 0 is no battery."""

    racks: Annotated[int, Field(ge=0)] = Field(description="number of racks, 0 for no battery")
    modules: Annotated[int, Field(ge=0)] = Field(description="number of power modules, 0 for no battery")


class Money(Block):
    """Money beside the parts' prices."""

    currency: CurrencyCode = Field(description="three-letter currency code; tariff and catalogue must use the same")
    installation_cost: NonNegative = Field(
        default=0.0, description="design, works, connection and commissioning of this option, once"
    )


class Dispatch(Block):
    """How the optimum is sought."""

    wear_per_kwh: NonNegative = Field(
        default=0.0,
        description="price on each kWh discharged (AC) so that the battery does not cycle for pennies; not a cash flow",
    )
    time_limit_s: Annotated[float, Field(gt=0)] = Field(
        default=600.0, description="longest time for the solver, seconds"
    )


class RulesPolicy(Block):
    """Settings of the causal policy."""

    first_ceiling_kw: NonNegative | None = Field(
        default=None,
        description="ceiling on import at the start of the first month; left out: the import of the first step",
    )
    month_start_frac: Share = Field(
        default=0.9, description="share of the last month's ceiling at which a new month starts; it then only rises"
    )
    reserve_frac: Share = Field(
        default=0.5, description="share of the usable energy that is kept for peaks and not discharged for price"
    )


class Output(Block):
    """What is written."""

    figure_formats: Many[Literal["svg", "png"]] = Field(
        default=("svg",), min_length=1, description="formats of the files in figures/: svg, png"
    )


def _tariff_form(value: object) -> str:
    return "path" if isinstance(value, str) else "inline"


class ScenarioFile(Block):
    """A scenario file of format version 1."""

    crestfall_scenario: FormatVersion = Field(description="version of the file format; this Crestfall reads version 1")
    question: Name | None = Field(default=None, description="the question this scenario answers, shown on the report")
    site: Site = Field(description="the site and its data")
    tariff: Annotated[
        Annotated[FileName, Tag("path")] | Annotated[TariffFile, Tag("inline")], Discriminator(_tariff_form)
    ] = Field(description="a tariff file, relative to this YAML file, or the tariff's own keys written here")
    catalogue: FileName = Field(description="catalogue file, relative to this YAML file")
    option: OptionChoice = Field(description="the option to study")
    money: Money = Field(description="currency and cost of installation")
    policy: Literal["hindsight", "rules"] = Field(
        default="hindsight",
        description="which policy makes the headline: hindsight (the optimum) or rules (knows only the past)",
    )
    dispatch: Dispatch = Field(default_factory=Dispatch, description="settings of the optimiser")
    rules: RulesPolicy = Field(default_factory=RulesPolicy, description="settings of the policy 'rules'")
    output: Output = Field(default_factory=Output, description="what is written")


def known_zone(name: str) -> str:
    """Return the name of a time zone, or raise if there is no such zone."""
    if name not in zoneinfo.available_timezones():
        raise wrong("an IANA time zone", "write it as region and city, for example Europe/Lisbon, or UTC")
    return name
