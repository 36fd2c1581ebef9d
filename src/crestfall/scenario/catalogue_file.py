"""The catalogue file: the modular parts, and what may be put together."""

import itertools
import math
from typing import Annotated, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from crestfall.scenario._base import (
    Block,
    CurrencyCode,
    Efficiency,
    FormatVersion,
    Many,
    Name,
    Share,
    check_rises,
    wrong,
)
from crestfall.scenario.rack_life import RackLife, Warranty

Count = Annotated[int, Field(ge=1, le=1000)]
Price = Annotated[float, Field(ge=0)]
Power = Annotated[float, Field(gt=0)]
Standby = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
STEEPEST_LOSS = 0.9  # of each further unit of power
ROUNDING = 1e-12  # of losses computed from efficiencies
# Weather stations have seen -89 to +57 degrees C; what lies outside this band is another unit.
Ambient = Annotated[float, Field(ge=-60, le=60)]


class Taper(Block):
    """A limit of power that falls towards an end of the usable window."""

    from_soc_frac: Share = Field(description="state of charge at which the limit begins to fall")
    at_end_frac: Share = Field(description="share of the limit that is left at the end of the usable window")


class Voltage(Block):
    """The DC voltage of a rack."""

    lowest_v: Positive = Field(description="lowest DC voltage in operation, V")
    nominal_v: Positive = Field(description="nominal DC voltage, V")
    highest_v: Positive = Field(description="highest DC voltage in operation, V")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.lowest_v <= self.nominal_v <= self.highest_v:
            raise wrong("lowest_v <= nominal_v <= highest_v", "put the three in order", key="nominal_v")
        return self


class AmbientPower(Block):
    """A point of a table of power against ambient temperature."""

    ambient_c: Ambient = Field(description="ambient temperature, degrees C")
    power_kw: Standby = Field(description="AC power at this temperature, kW")


class Thermal(Block):
    """What keeps a rack in its band of temperature."""

    power: Many[AmbientPower] = Field(
        min_length=1, description="AC power against ambient temperature, kW; linear between points, constant beyond"
    )
    per_loss_frac: Annotated[float, Field(ge=0, le=2)] = Field(
        default=0.0, description="further AC power for each kW that is lost as heat in the rack"
    )
    lowest_cell_c: Ambient = Field(description="lowest cell temperature that is held, degrees C")
    highest_cell_c: Ambient = Field(description="highest cell temperature that is held, degrees C")

    @field_validator("power")
    @classmethod
    def _in_order(cls, points: Many[AmbientPower]) -> Many[AmbientPower]:
        check_rises([point.ambient_c for point in points], "ambient_c")
        return points


class Size(Block):
    """Outer dimensions and mass of a part."""

    width_m: Positive = Field(description="width, m")
    depth_m: Positive = Field(description="depth, m")
    height_m: Positive = Field(description="height, m")
    mass_kg: Positive = Field(description="mass, kg")


class PriceBreak(Block):
    """A lower price of a part where many are bought."""

    from_count: Annotated[int, Field(ge=2, le=1000)] = Field(description="number from which on the price holds")
    price: Price = Field(description="price of each part then, of the first one as well")


class Priced(Block):
    """A part with a price."""

    price: Price = Field(description="price of one, without VAT, delivered")
    price_breaks: Many[PriceBreak] = Field(
        default=(), description="lower prices where an option has many of it; left out: one price for any number"
    )

    @field_validator("price_breaks")
    @classmethod
    def _breaks_in_order(cls, breaks: Many[PriceBreak], others: ValidationInfo) -> Many[PriceBreak]:
        check_rises([one.from_count for one in breaks], "from_count")
        least = others.data.get("price", math.inf)
        for position, one in enumerate(breaks):
            if one.price > least:
                raise wrong(
                    f"a price of at most {least:g}", "a quantity break makes the part cheaper", key=f"{position}/price"
                )
            least = one.price
        return breaks

    def cost_of(self, count: int) -> float:
        """Return what so many of this part cost at the price that holds for the number."""
        prices = [self.price, *(one.price for one in self.price_breaks if one.from_count <= count)]
        return count * prices[-1]


class Rack(Priced):
    """The smallest unit of energy that can be bought."""

    name: Name = Field(description="type of the rack")
    energy_kwh: Power = Field(description="nominal energy of one rack when new, DC, in kWh")
    lowest_soc_frac: Share = Field(description="lower end of the usable window of state of charge, 0 to 1")
    highest_soc_frac: Share = Field(description="upper end of the usable window of state of charge, 0 to 1")
    charge_c_rate_per_h: Power | None = Field(
        default=None, description="highest charging power over nominal energy, 0.5 means half the energy an hour"
    )
    discharge_c_rate_per_h: Power | None = Field(
        default=None, description="highest discharging power over nominal energy, 1/h"
    )
    charge_limit_kw: Power | None = Field(default=None, description="highest power into one rack instead, DC, kW")
    discharge_limit_kw: Power | None = Field(default=None, description="highest power out of one rack instead, DC, kW")
    charge_taper: Taper | None = Field(default=None, description="how charging slows near full; left out: it does not")
    discharge_taper: Taper | None = Field(
        default=None, description="how discharging slows near empty; left out: it does not"
    )
    charge_efficiency_frac: Efficiency = Field(description="stored energy over energy at the DC terminals, one way")
    discharge_efficiency_frac: Efficiency = Field(
        description="energy at the DC terminals over energy taken from store, one way"
    )
    resistance_ohm: Standby = Field(
        default=0.0, description="internal resistance of one rack, ohm, for losses that grow with the square of power"
    )
    voltage: Voltage | None = Field(default=None, description="DC voltage; needed for currents and for resistance_ohm")
    self_discharge_frac_per_month: Annotated[float, Field(ge=0, lt=0.5)] = Field(
        default=0.0, description="share of the stored energy that is lost in a month of standing"
    )
    standby_kw: Standby = Field(description="constant AC power of one rack's controls, kW")
    thermal: Thermal | None = Field(default=None, description="heating and cooling of one rack")
    end_of_life_health_frac: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.7, description="state of health at which the rack is given up; a backup reserve must still fit then"
    )
    life: RackLife | None = Field(default=None, description="how the rack fades; left out: no later year is studied")
    warranty: Warranty | None = Field(default=None, description="what the maker warrants; left out: nothing")
    size: Size | None = Field(default=None, description="outer dimensions and mass")
    price: Price = Field(description="price of one rack")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.highest_soc_frac <= self.lowest_soc_frac:
            raise wrong("a value above lowest_soc_frac", "the usable window must not be empty", key="highest_soc_frac")
        for way in ("charge", "discharge"):
            if (getattr(self, f"{way}_c_rate_per_h") is None) == (getattr(self, f"{way}_limit_kw") is None):
                raise wrong(f"{way}_c_rate_per_h or {way}_limit_kw", "one says what the other would")
        if self.resistance_ohm > 0 and self.voltage is None:
            raise wrong("a voltage beside resistance_ohm", "give lowest_v, nominal_v and highest_v", key="voltage")
        for key in ("charge_taper", "discharge_taper"):
            taper = getattr(self, key)
            if taper is not None and not self.lowest_soc_frac < taper.from_soc_frac < self.highest_soc_frac:
                raise wrong(
                    "a state of charge inside the usable window",
                    "the limit falls from there to the end of the window",
                    key=f"{key}/from_soc_frac",
                )
        self._check_warranty()
        return self

    def _check_warranty(self) -> None:
        """Raise where not even a rack that stands still would keep its warranty."""
        given = self.warranty
        if given is None:
            return
        if given.highest_mean_soc_frac is not None and given.highest_mean_soc_frac <= self.lowest_soc_frac:
            raise wrong(
                f"a mean state of charge above lowest_soc_frac ({self.lowest_soc_frac:g})",
                "no rack could keep it, not even at zero cycles",
                key="warranty/highest_mean_soc_frac",
            )
        band = (self.thermal.lowest_cell_c, self.thermal.highest_cell_c) if self.thermal else None
        for key, side in (("lowest_cell_c", 0), ("highest_cell_c", 1)):
            limit = getattr(given, key)
            if band is None or limit is None:
                continue
            if (limit > band[1]) if side == 0 else (limit < band[0]):
                raise wrong(
                    f"a temperature inside the band of thermal ({band[0]:g} to {band[1]:g} degrees C)",
                    "no rack could keep it, not even at zero cycles",
                    key=f"warranty/{key}",
                )

    @property
    def most_charge_kw(self) -> float:
        """Highest power into one rack [kW]."""
        return self.charge_limit_kw or (self.charge_c_rate_per_h or 0.0) * self.energy_kwh

    @property
    def most_discharge_kw(self) -> float:
        """Highest power out of one rack [kW]."""
        return self.discharge_limit_kw or (self.discharge_c_rate_per_h or 0.0) * self.energy_kwh


class LossCurve(Block):
    """Losses of a module against its AC power, all as shares of its rating: no load + proportional + resistive."""

    no_load_frac: Annotated[float, Field(ge=0, le=0.2)] = Field(description="loss at zero power while connected")
    proportional_frac: Annotated[float, Field(ge=0, le=0.3)] = Field(description="loss for each unit of power")
    resistive_frac: Annotated[float, Field(ge=0, le=0.3)] = Field(description="loss at rated power that grows squared")


class EfficiencyPoint(Block):
    """A point of a module's efficiency curve."""

    load_frac: Annotated[float, Field(gt=0, le=1)] = Field(description="AC power over rating")
    efficiency_frac: Annotated[float, Field(gt=0, le=1)] = Field(description="AC power over AC power and loss")


class Module(Priced):
    """The smallest unit of power."""

    name: Name = Field(description="type of the power module")
    rating_kva: Power = Field(
        description="rating of one module at its AC terminals, in kVA; the schedule decides the direction"
    )
    charge_efficiency_frac: Efficiency | None = Field(
        default=None, description="DC power out over AC power in, one way, at any load"
    )
    discharge_efficiency_frac: Efficiency | None = Field(
        default=None, description="AC power out over DC power in, one way, at any load"
    )
    loss: LossCurve | None = Field(default=None, description="a loss curve instead of the two constant efficiencies")
    efficiency_curve: Many[EfficiencyPoint] | None = Field(
        default=None, min_length=2, description="efficiency against load instead, as data sheets print it"
    )
    standby_kw: Standby = Field(description="constant AC power of one module's controls, kW")
    switches_off_when_idle: bool = Field(
        default=False, description="whether modules that are not needed are switched off and lose nothing"
    )
    minimum_load_frac: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.0, description="lowest AC power of a running module over its rating; below it stands still"
    )
    size: Size | None = Field(default=None, description="outer dimensions and mass, where it stands by itself")
    price: Price = Field(description="price of one module")

    @field_validator("efficiency_curve")
    @classmethod
    def _curve_is_physical(cls, points: Many[EfficiencyPoint] | None) -> Many[EfficiencyPoint] | None:
        if points is not None:
            check_rises([point.load_frac for point in points], "load_frac")
            losses = [point.load_frac * (1 / point.efficiency_frac - 1) for point in points]
            for position, (less, more) in enumerate(itertools.pairwise(losses), start=1):
                if more < less - ROUNDING:
                    raise wrong(
                        "an efficiency at which the loss is not below that of the load before",
                        f"at most {points[position].load_frac / (points[position].load_frac + less):.4f} there;"
                        " power lost grows with load",
                        key=f"{position}/efficiency_frac",
                    )
                if more - less > STEEPEST_LOSS * (points[position].load_frac - points[position - 1].load_frac):
                    raise wrong(
                        "a loss that grows by less than nine tenths of the power",
                        "a module that loses most of what it is given more is a wrong entry",
                        key=f"{position}/efficiency_frac",
                    )
        return points

    @model_validator(mode="after")
    def _one_kind_of_loss(self) -> Self:
        pair = (self.charge_efficiency_frac, self.discharge_efficiency_frac)
        kinds = [None not in pair, self.loss is not None, self.efficiency_curve is not None]
        if sum(kinds) != 1 or (pair.count(None) == 1):
            raise wrong(
                "charge_efficiency_frac and discharge_efficiency_frac, or loss, or efficiency_curve",
                "one module, one kind of loss",
            )
        return self


class Derating(Block):
    """A point of a table of power against ambient temperature."""

    ambient_c: Ambient = Field(description="ambient temperature, degrees C")
    share_frac: Share = Field(description="share of the rating that is left")


class Terminals(Block):
    """Rated currents of a cabinet's terminals."""

    ac_a: Positive = Field(description="AC current per phase, A")
    dc_a: Positive = Field(description="DC current of one rack's terminals, A")


class Cabinet(Priced):
    """What holds modules and racks."""

    name: Name = Field(description="type of the cabinet")
    most_modules: Count = Field(description="modules that one cabinet takes")
    most_racks: Count = Field(description="racks that one cabinet accepts")
    auxiliary_kw: Standby = Field(description="constant AC power of one cabinet's fans and controls, kW")
    derating: Many[Derating] = Field(
        default=(), description="share of power against ambient temperature, linear between points; beyond them none"
    )
    terminals: Terminals | None = Field(default=None, description="rated currents of its terminals")
    size: Size | None = Field(default=None, description="outer dimensions and mass without modules and racks")
    price: Price = Field(description="price of one cabinet")

    @field_validator("derating")
    @classmethod
    def _in_order(cls, points: Many[Derating]) -> Many[Derating]:
        check_rises([point.ambient_c for point in points], "ambient_c")
        return points


class Rules(Block):
    """Bounds on what may be put together."""

    least_racks: Count = Field(default=1, description="fewest racks of an option with a battery")
    most_racks: Count = Field(description="most racks of an option")
    least_modules: Count = Field(default=1, description="fewest modules of an option with a battery")
    most_modules: Count = Field(description="most modules of an option")
    most_cabinets: Count = Field(description="most cabinets of an option")
    dc_coupling: Literal["common", "by_cabinet"] = Field(
        default="common",
        description="common: all racks on one DC side; by_cabinet: each cabinet has its own, so that racks and modules"
        " must be spread evenly to run as one store",
    )
    racks_multiple_of: Count = Field(default=1, description="racks come in such numbers, 2 for pairs")
    modules_multiple_of: Count = Field(default=1, description="modules come in such numbers")
    least_racks_per_module: Standby = Field(default=0.0, description="fewest racks for each module")
    most_racks_per_module: Positive | None = Field(default=None, description="most racks for each module")

    @model_validator(mode="after")
    def _bounds_in_order(self) -> Self:
        for part in ("racks", "modules"):
            if getattr(self, f"most_{part}") < getattr(self, f"least_{part}"):
                raise wrong(
                    f"at least least_{part}", "the upper bound must not be below the lower one", key=f"most_{part}"
                )
        if self.most_racks_per_module is not None and self.most_racks_per_module < self.least_racks_per_module:
            raise wrong(
                "at least least_racks_per_module",
                "the upper bound must not be below the lower one",
                key="most_racks_per_module",
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
