"""Loads and PV that are not metered, as a scenario describes them."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from crestfall.scenario._base import Block, Many, Share, wrong
from crestfall.scenario.series_file import FileName

NonNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
ProfileName = Literal["G0", "G1", "G2", "G3", "G4", "G5", "G6", "G25", "L0", "L1", "L2", "L25"]
ShapeName = Literal["business_hours", "two_shifts", "steady"]
HourOfDay = Annotated[float, Field(ge=0, le=24)]


class ParametricLoad(Block):
    """A site described by when it works."""

    from_h: HourOfDay = Field(default=7.0, description="when work begins, local hours")
    to_h: HourOfDay = Field(default=18.0, description="when it ends, local hours; before from_h: on the next day")
    base_frac: Share = Field(default=0.3, description="load outside working hours over that of working hours")
    saturday_frac: Share = Field(default=0.3, description="what a Saturday adds to the base, over a working day")
    sunday_frac: Share = Field(default=0.0, description="what a Sunday or holiday adds to the base, over a working day")
    cooling_frac: NonNegative = Field(
        default=0.0, description="what cooling adds at the height of summer, over the load of working hours"
    )
    noise_frac: Share = Field(default=0.05, description="spread of random changes over the load")
    seed: Annotated[int, Field(ge=0)] = Field(default=1, description="start of the random numbers")


class MonthlyBills(Block):
    """What twelve bills say; a load of the chosen shape fits them exactly."""

    energy_kwh: Many[Positive] = Field(min_length=12, max_length=12, description="energy of each month, kWh")
    peak_kw: Many[Positive] = Field(min_length=12, max_length=12, description="highest demand of each month, kW")
    shape: ShapeName = Field(
        description="business_hours, two_shifts or steady; run all three, what a battery saves lies in their range"
    )


class EvChargers(Block):
    """Charging of vehicles, added to the load."""

    kind: Literal["ev_chargers"] = Field(description="ev_chargers")
    points: Annotated[int, Field(ge=1, le=10_000)] = Field(description="number of charging points")
    power_kw: Positive = Field(description="power of each, kW")
    sessions_per_day: NonNegative = Field(description="sessions on a working day, all points together")
    energy_kwh: Positive = Field(description="mean energy of a session, kWh")
    arrival_h: HourOfDay = Field(default=8.0, description="mean hour of arrival")
    arrival_spread_h: Positive = Field(default=1.5, description="spread of the arrivals, hours")
    weekend_frac: Share = Field(default=0.0, description="sessions on a day of the weekend over those of a working day")
    seed: Annotated[int, Field(ge=0)] = Field(default=1, description="start of the random numbers")


class HeatPump(Block):
    """Electric heating, added to the load."""

    kind: Literal["heat_pump"] = Field(description="heat_pump")
    energy_kwh: Positive = Field(description="electricity in a year, kWh")
    heating_limit_c: float = Field(default=15.0, description="outside temperature from which no heat is needed, °C")


class NewLine(Block):
    """A further consumer with working hours of its own, added to the load."""

    kind: Literal["new_line"] = Field(description="new_line")
    power_kw: Positive = Field(description="power while it works, kW")
    from_h: HourOfDay = Field(description="when it begins on working days, local hours")
    to_h: HourOfDay = Field(description="when it ends, local hours; before from_h: on the next day")


class LoadModel(Block):
    """A load that is not metered: a standard profile, working hours, or twelve bills."""

    year: Annotated[int, Field(ge=1990, le=2100)] = Field(description="calendar year of the series")
    step_min: Literal[15, 30, 60] = Field(default=15, description="step, minutes: 15, 30 or 60")
    profile: ProfileName | None = Field(
        default=None, description="German standard load profile (BDEW) of trade (G) or farming (L)"
    )
    parametric: ParametricLoad | None = Field(default=None, description="a site described by its working hours")
    monthly_bills: MonthlyBills | None = Field(default=None, description="energy and peak of twelve bills")
    energy_kwh: Positive | None = Field(default=None, description="energy of the year, kWh")
    peak_kw: Positive | None = Field(
        default=None, description="highest power of the year, kW; left out: that of the shape"
    )
    country: str | None = Field(default=None, description="country whose holidays are no working days; left out: none")
    subdivision: str | None = Field(default=None, description="part of the country, for its holidays")

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        kinds = [self.profile, self.parametric, self.monthly_bills]
        if sum(kind is not None for kind in kinds) != 1:
            raise wrong("one of profile, parametric and monthly_bills", "say what the load is made from")
        if (self.energy_kwh is None) == (self.monthly_bills is None):
            raise wrong(
                "energy_kwh, or monthly_bills with the energy of each month", "give the energy once", key="energy_kwh"
            )
        if self.monthly_bills is not None and self.peak_kw is not None:
            raise wrong("no peak_kw beside monthly_bills", "the bills hold it", key="peak_kw")
        return self


Addition = Annotated[EvChargers | HeatPump | NewLine, Field(discriminator="kind")]


class PvModel(Block):
    """PV that is computed from weather, or from a clear sky."""

    kwp: Positive = Field(description="peak power of the modules, kWp")
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] = Field(description="latitude, degrees north")
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] = Field(description="longitude, degrees east")
    tilt_deg: Annotated[float, Field(ge=0, le=90)] = Field(description="tilt from the horizontal, degrees")
    azimuth_deg: Annotated[float, Field(ge=0, lt=360)] = Field(
        description="direction, degrees east of north; 180 is south"
    )
    losses_frac: Share = Field(default=0.14, description="all losses from the modules to the meter")
    inverter_kw: Positive | None = Field(default=None, description="highest AC power, kW; left out: no limit")
    weather: FileName | None = Field(
        default=None, description="hourly weather, EPW, TMY3 or PVGIS CSV, relative to this YAML file"
    )
    clearness_frac: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None, description="share of a clear sky's generation instead, the same all year"
    )

    @model_validator(mode="after")
    def _one_sky(self) -> Self:
        if (self.weather is None) == (self.clearness_frac is None):
            raise wrong("weather or clearness_frac", "name a weather file, or say how clear the sky is")
        return self
