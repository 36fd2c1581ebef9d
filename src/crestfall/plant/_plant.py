"""The plant that an option makes: its limits, losses and auxiliaries."""

from dataclasses import dataclass

from crestfall.plant._option import Option, cabinets_needed
from crestfall.scenario import CatalogueFile

HOURS_PER_MONTH = 730.5  # 365.25 * 24 / 12: data sheets state self-discharge for a mean month


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """A battery system behind one AC terminal, with one common store.

    Parameters
    ----------
    option : Option
        Racks and modules.
    cabinets : int
        Cabinets that hold them.
    rating_kva : float
        Sum of the modules' ratings; the limit of charge and discharge at unity power factor [kVA].
    nominal_kwh : float
        Nominal energy of the racks when new, DC [kWh].
    floor_kwh, ceiling_kwh : float
        Ends of the usable window of stored energy [kWh].
    into_limit_kw, outof_limit_kw : float
        Limits of the power into and out of the store, from the racks' C-rates, DC [kW].
    module_charge_frac, module_discharge_frac : float
        One-way efficiency of the modules.
    rack_charge_frac, rack_discharge_frac : float
        One-way efficiency of the racks.
    self_discharge_per_h : float
        Share of the stored energy lost in an hour [1/h].
    auxiliary_kw : float
        Constant AC power of standby, fans and controls [kW].
    parts_cost : float
        Price of racks, modules and cabinets.
    """

    option: Option
    cabinets: int
    rating_kva: float
    nominal_kwh: float
    floor_kwh: float
    ceiling_kwh: float
    into_limit_kw: float
    outof_limit_kw: float
    module_charge_frac: float
    module_discharge_frac: float
    rack_charge_frac: float
    rack_discharge_frac: float
    self_discharge_per_h: float
    auxiliary_kw: float
    parts_cost: float

    @property
    def usable_kwh(self) -> float:
        """Stored energy between floor and ceiling [kWh]."""
        return self.ceiling_kwh - self.floor_kwh

    @property
    def charge_frac(self) -> float:
        """Energy into the store over AC energy charged."""
        return self.module_charge_frac * self.rack_charge_frac

    @property
    def discharge_frac(self) -> float:
        """AC energy discharged over energy out of the store."""
        return self.module_discharge_frac * self.rack_discharge_frac

    @property
    def round_trip_frac(self) -> float:
        """AC energy discharged over AC energy charged, without auxiliaries and standing losses."""
        return self.charge_frac * self.discharge_frac

    def keep_frac(self, step_h: float) -> float:
        """Return the share of the stored energy that is left after one step of `step_h` hours."""
        return float((1 - self.self_discharge_per_h) ** step_h)


def build_plant(catalogue: CatalogueFile, option: Option) -> Plant:
    """
    Return the plant that an option makes from the parts of a catalogue.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    option : Option
        Racks and modules.

    Returns
    -------
    Plant
        Limits, losses and auxiliaries; all zero for no battery.

    Raises
    ------
    KeyedError
        If the rules forbid the option.
    """
    cabinets = cabinets_needed(option, catalogue)
    rack, module, cabinet = catalogue.rack, catalogue.module, catalogue.cabinet
    nominal_kwh = option.racks * rack.energy_kwh
    return Plant(
        option=option,
        cabinets=cabinets,
        rating_kva=option.modules * module.rating_kva,
        nominal_kwh=nominal_kwh,
        floor_kwh=nominal_kwh * rack.lowest_soc_frac,
        ceiling_kwh=nominal_kwh * rack.highest_soc_frac,
        into_limit_kw=nominal_kwh * rack.charge_c_rate_per_h,
        outof_limit_kw=nominal_kwh * rack.discharge_c_rate_per_h,
        module_charge_frac=module.charge_efficiency_frac,
        module_discharge_frac=module.discharge_efficiency_frac,
        rack_charge_frac=rack.charge_efficiency_frac,
        rack_discharge_frac=rack.discharge_efficiency_frac,
        self_discharge_per_h=1 - (1 - rack.self_discharge_frac_per_month) ** (1 / HOURS_PER_MONTH),
        auxiliary_kw=option.racks * rack.standby_kw
        + option.modules * module.standby_kw
        + cabinets * cabinet.auxiliary_kw,
        parts_cost=option.racks * rack.price + option.modules * module.price + cabinets * cabinet.price,
    )
