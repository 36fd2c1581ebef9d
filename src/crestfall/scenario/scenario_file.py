"""The scenario file: one question about one site."""

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from crestfall.scenario._base import Block, FormatVersion, Many, Name, Share, wrong
from crestfall.scenario.emissions_block import Emissions
from crestfall.scenario.life_block import Life
from crestfall.scenario.model_file import Addition, LoadModel, PvModel
from crestfall.scenario.money_block import Money
from crestfall.scenario.series_file import MONTH_PATTERN, FileName, Repairs, SeriesFile, known_zone
from crestfall.scenario.tariff_clauses import LocalTime
from crestfall.scenario.tariff_file import TariffFile

NonNegative = Annotated[float, Field(ge=0)]


def _value_form(value: object) -> str:
    return "series" if isinstance(value, dict | SeriesFile) else "number"


AS_NUMBER, AS_SERIES, NUMBER_OR_SERIES = Tag("number"), Tag("series"), Discriminator(_value_form)


def _forecast_form(value: object) -> str:
    if isinstance(value, ForecastFile) or (isinstance(value, dict) and "file" in value):
        return "file"
    return "error" if isinstance(value, dict | StatedError) else "name"


AS_NAME, AS_FILE, AS_ERROR, FORECAST = Tag("name"), Tag("file"), Tag("error"), Discriminator(_forecast_form)


class EnergySeries(SeriesFile):
    """Interval data of power or energy."""

    unit: Literal["kW", "kWh"] = Field(description="kW (mean power over the step) or kWh (energy per step)")
    repairs: Repairs | None = Field(
        default=None, description="what may be done to damaged data; left out: anything damaged is refused"
    )


class ReactiveSeries(SeriesFile):
    """Interval data of reactive power or energy."""

    unit: Literal["kvar", "kvarh"] = Field(description="kvar (mean over the step) or kvarh (per step), drawn positive")


class PowerFactorSeries(SeriesFile):
    """Interval data of the power factor of the load."""

    unit: Literal["frac"] = Field(description="frac, a share above 0 up to 1")


class SuppliedSeries(SeriesFile):
    """Interval data of reactive power or energy that the modules supply."""

    unit: Literal["kvar", "kvarh"] = Field(
        description="kvar (mean over the step) or kvarh (per step), supplied, not negative"
    )


class TemperatureSeries(SeriesFile):
    """Interval data of ambient temperature."""

    unit: Literal["C"] = Field(description="C, degrees Celsius")


class Connection(Block):
    """The voltage at the point of connection, for currents; nothing of it acts on schedule or bill."""

    nominal_v: Annotated[float, Field(gt=0)] = Field(
        default=400.0, description="nominal voltage, V; between phases where there are three"
    )
    lowest_v_frac: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.9, description="lowest voltage in operation over nominal; current is highest there"
    )
    phases: int = Field(default=3, description="number of phases, 1 or 3")

    @field_validator("phases")
    @classmethod
    def _one_or_three(cls, value: int) -> int:
        if value not in (1, 3):
            raise wrong("1 or 3", "two lines of a split-phase supply are one phase at the voltage between them")
        return value


class Transformer(Block):
    """The site's own transformer, when the meter stands before it."""

    rating_kva: Annotated[float, Field(gt=0)] = Field(description="rated apparent power, kVA")
    no_load_kw: NonNegative = Field(description="loss whenever it is energised, kW")
    load_loss_kw: NonNegative = Field(description="further loss at rated power, kW; it grows with the square")


class Site(Block):
    """The premises behind one point of connection."""

    name: Name = Field(description="name of the site, shown on the report")
    time_zone: str = Field(description="IANA time zone of the site, for example Europe/Lisbon")
    load: EnergySeries | None = Field(default=None, description="consumption of the site, metered")
    load_model: LoadModel | None = Field(default=None, description="consumption of the site instead, not metered")
    additions: Many[Addition] = Field(default=(), description="consumers that will be added to the load")
    growth_frac: Annotated[float, Field(gt=-1)] = Field(default=0.0, description="growth of the load since its data")
    first_month: Annotated[str, Field(pattern=MONTH_PATTERN)] | None = Field(
        default=None, description="first of the twelve months to study, where the data hold more: year-month"
    )
    step_min: Literal[5, 10, 15, 20, 30, 60] | None = Field(
        default=None, description="step of the study, minutes; left out: that of the load"
    )
    pv: EnergySeries | None = Field(default=None, description="available PV generation; left out: none")
    pv_model: PvModel | None = Field(default=None, description="PV generation instead, computed from weather")
    temperature: TemperatureSeries | None = Field(default=None, description="ambient temperature; left out: unknown")
    reactive: ReactiveSeries | None = Field(
        default=None, description="reactive power of the site, for tariffs that bill kVA or kvarh"
    )
    power_factor_frac: (
        Annotated[
            Annotated[float, Field(gt=0, le=1), AS_NUMBER] | Annotated[PowerFactorSeries, AS_SERIES], NUMBER_OR_SERIES
        ]
        | None
    ) = Field(default=None, description="power factor of the load (lagging) instead, a share or a series")
    import_limit_kw: NonNegative | None = Field(
        default=None, description="most import at the point of connection; left out: no limit"
    )
    export_limit_kw: NonNegative | None = Field(
        default=None, description="most export at the point of connection; left out: no limit"
    )
    import_limit_kva: NonNegative | None = Field(
        default=None, description="most apparent power at the point of connection while importing, kVA"
    )
    export_limit_kva: NonNegative | None = Field(
        default=None, description="most apparent power at the point of connection while exporting, kVA"
    )
    transformer: Transformer | None = Field(default=None, description="transformer between meter and site")
    connection: Connection = Field(default_factory=Connection, description="voltage at the point of connection")

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str) -> str:
        return known_zone(value)

    @model_validator(mode="after")
    def _load_once(self) -> Self:
        if self.load is None and self.load_model is None:
            raise wrong("load, a metered series", "name the file with the consumption of the site", key="load")
        if self.load is not None and self.load_model is not None:
            raise wrong("load or load_model", "one says what the other would", key="load_model")
        if self.pv is not None and self.pv_model is not None:
            raise wrong("pv or pv_model", "one says what the other would", key="pv_model")
        return self

    @model_validator(mode="after")
    def _reactive_once(self) -> Self:
        if self.reactive is not None and self.power_factor_frac is not None:
            raise wrong("reactive or power_factor_frac", "one says what the other would", key="power_factor_frac")
        return self


class OptionChoice(Block):
    """A number of racks and of modules; 0 and 0 is no battery."""

    racks: Annotated[int, Field(ge=0)] = Field(description="number of racks, 0 for no battery")
    modules: Annotated[int, Field(ge=0)] = Field(description="number of power modules, 0 for no battery")


class Outage(Block):
    """A time in which the battery stands still, known in advance."""

    start: LocalTime = Field(description="local start, year-month-day hour:minute")
    hours: Annotated[float, Field(gt=0, le=8784)] = Field(description="length, hours")


class ForcedOutages(Block):
    """Outages that nobody plans: drawn at random, the same on each run."""

    events: Annotated[int, Field(ge=1, le=365)] = Field(description="how many in the year")
    hours: Annotated[float, Field(gt=0, le=8784)] = Field(description="length of each, hours")
    seed: Annotated[int, Field(ge=0)] = Field(default=1, description="start of the random numbers")


class Availability(Block):
    """When the battery, or a part of it, is out of service."""

    planned: Many[Outage] = Field(default=(), description="outages that the schedule knows in advance")
    forced: ForcedOutages | None = Field(
        default=None, description="outages that hit the schedule unprepared; left out: none"
    )
    modules_out: Annotated[int, Field(ge=0)] = Field(default=0, description="modules out of service all year")


class Backup(Block):
    """A reserve for the loss of the grid."""

    critical_load_kw: Annotated[float, Field(gt=0)] = Field(description="load that must go on without the grid, kW")
    hours: Annotated[float, Field(gt=0, le=168)] = Field(description="how long it must go on, at any time")


class ReactiveSupport(Block):
    """Reactive power that the modules promise to the site, before any active power."""

    kvar: (
        Annotated[Annotated[NonNegative, AS_NUMBER] | Annotated[SuppliedSeries, AS_SERIES], NUMBER_OR_SERIES] | None
    ) = Field(default=None, description="reactive power supplied, kvar; a constant or a series")
    power_factor_frac: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None, description="power factor to hold at the point of connection instead, whatever is discharged"
    )

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.kvar is None) == (self.power_factor_frac is None):
            raise wrong("kvar or power_factor_frac", "one says how much the other would")
        return self


class Dispatch(Block):
    """How the optimum is sought."""

    wear_per_kwh: NonNegative = Field(
        default=0.0,
        description="price on each kWh discharged (AC) so that the battery does not cycle for pennies; not a cash flow",
    )
    time_limit_s: Annotated[float, Field(gt=0)] = Field(
        default=600.0, description="longest time for the solver, seconds"
    )
    most_cycles_per_year: NonNegative | None = Field(
        default=None, description="budget of equivalent full cycles in a year; left out: none"
    )
    most_import_kwh_per_year: NonNegative | None = Field(
        default=None, description="budget of imported energy in a year, kWh; left out: none"
    )
    solver: Literal["auto", "exact", "lp"] = Field(
        default="auto",
        description="exact: the fast way, where the problem is of its kind; lp: the general solver; auto: exact where"
        " it fits, which the result says",
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


class ForecastFile(SeriesFile):
    """A forecast that was made elsewhere: a value for each step, or several that were issued one after the other."""

    unit: Literal["kW", "kWh"] = Field(description="kW (mean power over the step) or kWh (energy per step)")
    issued_column: str | None = Field(
        default=None,
        description="column with the time at which each value was issued; left out: all count as known from the start,"
        " which the result says. Times for which a plan finds nothing issued yet are taken from similar or recent days",
    )


class StatedError(Block):
    """What will happen, with an error of stated size: no forecast, but a measure of what a better one is worth."""

    error_frac: Share = Field(
        description="standard deviation of the error as a share of the mean power; 0 is a perfect forecast"
    )
    seed: Annotated[int, Field(ge=0)] = Field(default=1, description="start of the random numbers")


class History(Block):
    """What was metered just before the data, from which forecasts and peak targets of the first weeks are learnt."""

    load: EnergySeries = Field(description="consumption of the site up to the start of the data")
    pv: EnergySeries | None = Field(default=None, description="PV generation up to then, where the site has PV")


class RollingPolicy(Block):
    """Settings of the policy that plans on forecasts again and again."""

    horizon_h: Annotated[float, Field(gt=0)] = Field(
        default=24.0, description="how far each plan looks, hours; a day to three are usual"
    )
    plan_every_h: Annotated[float, Field(gt=0, le=24)] = Field(default=1.0, description="time between plans, hours")
    load_forecast: Annotated[
        Annotated[Literal["last_week", "similar_days", "regression"], AS_NAME]
        | Annotated[ForecastFile, AS_FILE]
        | Annotated[StatedError, AS_ERROR],
        FORECAST,
    ] = Field(
        default="similar_days",
        description="last_week (the same time a week ago), similar_days (their mean, the latest with the most weight),"
        " regression (on time, kind of day and temperature), a file, or what happens with an error_frac",
    )
    pv_forecast: Annotated[
        Annotated[Literal["yesterday", "recent_days", "regression"], AS_NAME]
        | Annotated[ForecastFile, AS_FILE]
        | Annotated[StatedError, AS_ERROR],
        FORECAST,
    ] = Field(
        default="recent_days",
        description="yesterday (the same time), recent_days (their mean, the latest with the most weight), regression"
        " (on time and temperature), a file, or what happens with an error_frac",
    )
    history: History | None = Field(
        default=None,
        description="what was metered before the data; left out: what the site's own files hold before first_month, or"
        " the first weeks begin without a past",
    )
    prices_known_h: Annotated[float, Field(gt=0)] | None = Field(
        default=None,
        description="how far ahead prices are known, hours; beyond, those of the last known day are taken."
        " Left out: as far as the plan looks, or 12 h where the tariff has a series of market prices",
    )
    peak_rule: Literal["reserve", "headroom", "both"] = Field(
        default="both",
        description="how peaks that nobody foresees are met: reserve (energy kept by time of day, as the last weeks"
        " would have needed it), headroom (plans made with the worst past errors of the forecast, too) or both",
    )
    caution_frac: Share = Field(
        default=1.0, description="share of past days that reserve or headroom would have sufficed for; 1 is all of them"
    )
    target_margin_frac: Share = Field(
        default=0.03, description="how far a peak's target lies above the lowest that the last weeks could have kept"
    )
    learn_days: Annotated[int, Field(ge=7, le=366)] = Field(
        default=28, description="days looked back on for targets, reserve and headroom"
    )
    first_ceiling_kw: NonNegative | None = Field(
        default=None,
        description="target until a week is known; left out: the import of the first step. It only rises",
    )
    trials: bool = Field(
        default=False,
        description="whether the year is run again with a rack more, with perfect forecasts and with more headroom, to"
        " say which of them would save most; takes three runs more",
    )


class ReplaySettings(Block):
    """How finely the schedule is stepped through the true plant."""

    substeps: Annotated[int, Field(ge=1, le=60)] = Field(
        default=1,
        description="equal parts of each step of the data; load and PV are held at its mean, bills keep the step",
    )


class Output(Block):
    """What is written."""

    figure_formats: Many[Literal["svg", "png"]] = Field(
        default=("svg",), min_length=1, description="formats of the files in figures/: svg, png"
    )


def _tariff_form(value: object) -> str:
    return "path" if isinstance(value, str) else "sheets" if isinstance(value, list | tuple) else "inline"


class ScenarioFile(Block):
    """A scenario file of format version 1."""

    crestfall_scenario: FormatVersion = Field(description="version of the file format; this Crestfall reads version 1")
    question: Name | None = Field(default=None, description="the question this scenario answers, shown on the report")
    site: Site = Field(description="the site and its data")
    tariff: Annotated[
        Annotated[FileName, Tag("path")]
        | Annotated[Many[FileName], Field(min_length=1), Tag("sheets")]
        | Annotated[TariffFile, Tag("inline")],
        Discriminator(_tariff_form),
    ] = Field(
        description="the tariff in force: a file, relative to this YAML file; a list of files, each valid from its"
        " valid_from to the next; or the tariff's own keys written here"
    )
    tariff_choices: Many[FileName] = Field(
        default=(), description="other tariff files that the site may change to, with or without a battery"
    )
    catalogue: FileName = Field(description="catalogue file, relative to this YAML file")
    option: OptionChoice = Field(description="the option to study")
    backup: Backup | None = Field(default=None, description="reserve for the loss of the grid; left out: none")
    availability: Availability = Field(default_factory=Availability, description="when the battery is out of service")
    reactive_support: ReactiveSupport | None = Field(
        default=None, description="reactive power that the modules supply; left out: none"
    )
    money: Money = Field(description="currency, costs beside the parts, discount rate, tax and finance")
    life: Life | None = Field(default=None, description="the years after the first; left out: the first year only")
    emissions: Emissions | None = Field(
        default=None, description="emission factors of the grid; left out: emissions are not counted"
    )
    policy: Literal["rolling", "rules", "hindsight"] = Field(
        default="rolling",
        description="which policy makes the headline: rolling (plans on forecasts again and again), rules (knows the"
        " tariff and the past) or hindsight (knows the whole year: a ceiling)",
    )
    dispatch: Dispatch = Field(default_factory=Dispatch, description="settings of the optimiser")
    rules: RulesPolicy = Field(default_factory=RulesPolicy, description="settings of the policy 'rules'")
    rolling: RollingPolicy = Field(default_factory=RollingPolicy, description="settings of the policy 'rolling'")
    replay: ReplaySettings = Field(default_factory=ReplaySettings, description="settings of the replay")
    output: Output = Field(default_factory=Output, description="what is written")
