"""The catalogue file: the modular parts, and what may be put together."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from crestfall.scenario._base import Block, CurrencyCode, Efficiency, FormatVersion, Name, Share, wrong

Count = Annotated[int, Field(ge=1, le=1000)]
Price = Annotated[float, Field(ge=0)]
Power = Annotated[float, Field(gt=0)]
Standby = Annotated[float, Field(ge=0)]


class Rack(Block):
    """The smallest unit of energy that can be bought."""

    name: Name = Field(description="type of the rack")
    energy_kwh: Power = Field(description="nominal energy of one rack when new, DC, in kWh")
    lowest_soc_frac: Share = Field(description="lower end of the usable window of state of charge, 0 to 1")
    highest_soc_frac: Share = Field(description="upper end of the usable window of state of charge, 0 to 1")
    charge_c_rate_per_h: Power = Field(
        description="highest charging power over nominal energy, 0.5 means half the energy an hour"
    )
    discharge_c_rate_per_h: Power = Field(description="highest discharging power over nominal energy, 1/h")
    charge_efficiency_frac: Efficiency = Field(description="stored energy over energy at the DC terminals, one way")
    discharge_efficiency_frac: Efficiency = Field(
        description="energy at the DC terminals over energy taken from store, one way"
    )
    self_discharge_frac_per_month: Annotated[float, Field(ge=0, lt=0.5)] = Field(
        default=0.0, description="share of the stored energy that is lost in a month of standing"
    )
    standby_kw: Standby = Field(description="constant AC power of one rack's controls and cooling, kW")
    price: Price = Field(description="price of one rack")

    @model_validator(mode="after")
    def _window_is_open(self) -> Self:
        if self.highest_soc_frac <= self.lowest_soc_frac:
            raise wrong("a value above lowest_soc_frac", "the usable window must not be empty", key="highest_soc_frac")
        return self


class Module(Block):
    """The smallest unit of power."""

    name: Name = Field(description="type of the power module")
    rating_kva: Power = Field(
        description="rating of one module at its AC terminals, in kVA; the schedule decides the direction"
    )
    charge_efficiency_frac: Efficiency = Field(description="DC power out over AC power in, one way")
    discharge_efficiency_frac: Efficiency = Field(description="AC power out over DC power in, one way")
    standby_kw: Standby = Field(description="constant AC power of one module that stays connected, kW")
    price: Price = Field(description="price of one module")


class Cabinet(Block):
    """What holds modules and racks."""

    name: Name = Field(description="type of the cabinet")
    most_modules: Count = Field(description="modules that one cabinet takes")
    most_racks: Count = Field(description="racks that one cabinet accepts")
    auxiliary_kw: Standby = Field(description="constant AC power of one cabinet's fans and controls, kW")
    price: Price = Field(description="price of one cabinet")


class Rules(Block):
    """Bounds on what may be put together."""

    least_racks: Count = Field(default=1, description="fewest racks of an option with a battery")
    most_racks: Count = Field(description="most racks of an option")
    least_modules: Count = Field(default=1, description="fewest modules of an option with a battery")
    most_modules: Count = Field(description="most modules of an option")
    most_cabinets: Count = Field(description="most cabinets of an option")

    @model_validator(mode="after")
    def _bounds_in_order(self) -> Self:
        for part in ("racks", "modules"):
            if getattr(self, f"most_{part}") < getattr(self, f"least_{part}"):
                raise wrong(
                    f"at least least_{part}", "the upper bound must not be below the lower one", key=f"most_{part}"
                )
        return self


class CatalogueFile(Block):
    """A catalogue file of format version 1."""

    crestfall_catalogue: FormatVersion = Field(description="version of the file format; this Crestfall reads version 1")
    title: Name = Field(description="title of the catalogue")
    currency: CurrencyCode = Field(description="three-letter currency code of all prices")
    rack: Rack = Field(description="the unit of energy")
    module: Module = Field(description="the unit of power")
    cabinet: Cabinet = Field(description="what holds them")
    rules: Rules = Field(description="bounds on what may be put together")
