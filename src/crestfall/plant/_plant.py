"""The plant that an option makes: its limits, losses and auxiliaries."""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.plant._curves import Converter, RackBank, Segment, segments
from crestfall.plant._option import Option, cabinets_needed
from crestfall.scenario import CatalogueFile

FloatArray = NDArray[np.float64]
HOURS_PER_MONTH = 730.5  # 365.25 * 24 / 12: data sheets state self-discharge for a mean month
REACH_POINTS = 1001
MILD_C = 25.0  # ambient temperature where none is given


class EndTaper(NamedTuple):
    """A limit of power that falls towards an end of the usable window.

    Parameters
    ----------
    from_kwh : float
        Stored energy at which it begins to fall [kWh].
    at_end_frac : float
        Share that is left at the end of the window.
    """

    from_kwh: float
    at_end_frac: float


@dataclass(frozen=True, kw_only=True)
class Plant:
    """A battery system behind one AC terminal, with one common store.

    Parameters
    ----------
    option : Option
        Racks and modules.
    cabinets : int
        Cabinets that hold them.
    rating_kva : float
        Sum of the modules' ratings [kVA].
    nominal_kwh : float
        Nominal energy of the racks when new, DC [kWh].
    floor_kwh, ceiling_kwh : float
        Ends of the usable window of stored energy [kWh].
    into_limit_kw, outof_limit_kw : float
        Limits of the power into and out of the store, from the racks' C-rates, DC [kW].
    converter : Converter
        The modules and their losses.
    bank : RackBank
        The racks and their losses.
    charge_taper, discharge_taper : EndTaper or None
        How the racks' limits fall towards full and towards empty.
    self_discharge_per_h : float
        Share of the stored energy lost in an hour [1/h].
    standby_kw : float
        AC power of controls, fans and connected modules, whatever the weather [kW].
    thermal_c, thermal_kw : ndarray of shape (n_points,)
        AC power of heating and cooling of all racks against ambient temperature [degrees C], [kW]; empty for none.
    derating_c, derating_frac : ndarray of shape (n_points,)
        Share of the power that is left against ambient temperature; empty for all of it.
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
    converter: Converter
    bank: RackBank
    charge_taper: EndTaper | None
    discharge_taper: EndTaper | None
    self_discharge_per_h: float
    standby_kw: float
    thermal_c: FloatArray
    thermal_kw: FloatArray
    derating_c: FloatArray
    derating_frac: FloatArray
    parts_cost: float

    @property
    def usable_kwh(self) -> float:
        """Stored energy between floor and ceiling [kWh]."""
        return self.ceiling_kwh - self.floor_kwh

    @cached_property
    def charge_segments(self) -> tuple[Segment, ...]:
        """Chords of the power into the store against AC power."""
        return segments(self.converter, self.bank, self._reach_kw(charging=True), charging=True)

    @cached_property
    def discharge_segments(self) -> tuple[Segment, ...]:
        """Chords of the power out of the store against AC power."""
        return segments(self.converter, self.bank, self._reach_kw(charging=False), charging=False)

    @cached_property
    def charge_frac(self) -> float:
        """Energy into the store over AC energy charged, at rated power."""
        return self._at_rating(charging=True)

    @cached_property
    def discharge_frac(self) -> float:
        """AC energy discharged over energy out of the store, at rated power."""
        return self._at_rating(charging=False)

    @property
    def round_trip_frac(self) -> float:
        """AC energy discharged over AC energy charged at rated power, without auxiliaries and standing losses."""
        return self.charge_frac * self.discharge_frac

    def _reach_kw(self, *, charging: bool) -> float:
        """Return the highest AC power that modules and racks both allow: chords beyond it would be wasted [kW]."""
        power = np.linspace(0.0, self.rating_kva, REACH_POINTS)
        at_store = self.into_store_kw(power) if charging else self.out_of_store_kw(power)
        limit_kw = self.into_limit_kw if charging else self.outof_limit_kw
        return float(np.interp(limit_kw, np.maximum.accumulate(at_store), power))

    def _at_rating(self, *, charging: bool) -> float:
        if self.rating_kva == 0:
            return self.bank.charge_frac if charging else self.bank.discharge_frac
        power = np.array([self.rating_kva])
        at_store = self.into_store_kw(power) if charging else self.out_of_store_kw(power)
        return float(at_store[0] / self.rating_kva if charging else self.rating_kva / at_store[0])

    def losses_kw(self, power_kw: FloatArray, *, charging: bool) -> tuple[FloatArray, FloatArray]:
        """Return what modules (beyond what they lose at no power) and racks lose at an AC power [kW]."""
        of_modules, of_racks = np.zeros((2, *np.shape(power_kw)))
        flows = power_kw > 0  # which it does in part of a year's steps only, and nothing is lost in the others
        power, sign = power_kw[flows], 1.0 if charging else -1.0
        of_modules[flows] = found = self.converter.loss_kw(power, charging=charging)
        of_racks[flows] = self.bank.loss_kw(np.maximum(power - sign * found, 0.0), charging=charging)
        return of_modules, of_racks

    def rack_loss_kw(self, power_kw: FloatArray, *, charging: bool) -> FloatArray:
        """Return what the racks lose at an AC power [kW]."""
        return self.losses_kw(power_kw, charging=charging)[1]

    def into_store_kw(self, charge_kw: FloatArray) -> FloatArray:
        """Return the power into the store at an AC charge, by the true curves [kW]."""
        of_modules, of_racks = self.losses_kw(charge_kw, charging=True)
        return charge_kw - (of_modules + of_racks)

    def out_of_store_kw(self, discharge_kw: FloatArray) -> FloatArray:
        """Return the power out of the store at an AC discharge, by the true curves [kW]."""
        of_modules, of_racks = self.losses_kw(discharge_kw, charging=False)
        return discharge_kw + (of_modules + of_racks)

    def keep_frac(self, step_h: float) -> float:
        """Return the share of the stored energy that is left after one step of `step_h` hours."""
        return float((1 - self.self_discharge_per_h) ** step_h)

    def auxiliary_kw(self, temperature_c: FloatArray | None, n_steps: int) -> FloatArray:
        """
        Return the AC power of auxiliaries in each step, but for what losses add to cooling.

        Parameters
        ----------
        temperature_c : ndarray of shape (n_steps,) or None
            Ambient temperature; None: mild.
        n_steps : int
            Number of steps.

        Returns
        -------
        ndarray of shape (n_steps,)
            The power [kW].
        """
        ambient = np.full(n_steps, MILD_C) if temperature_c is None else temperature_c
        if not self.thermal_c.size:
            return np.full(n_steps, self.standby_kw)
        return self.standby_kw + np.asarray(np.interp(ambient, self.thermal_c, self.thermal_kw))

    def available_frac(self, temperature_c: FloatArray | None, n_steps: int) -> FloatArray:
        """
        Return the share of the power that ambient temperature leaves in each step.

        Parameters
        ----------
        temperature_c : ndarray of shape (n_steps,) or None
            Ambient temperature; None: mild.
        n_steps : int
            Number of steps.

        Returns
        -------
        ndarray of shape (n_steps,)
            Share, 0 beyond the ends of the derating table.
        """
        if not self.derating_c.size or temperature_c is None:
            return np.ones(n_steps)
        return np.asarray(np.interp(temperature_c, self.derating_c, self.derating_frac, left=0.0, right=0.0))


def build_plant(catalogue: CatalogueFile, option: Option, *, modules_out: int = 0) -> Plant:
    """
    Return the plant that an option makes from the parts of a catalogue.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    option : Option
        Racks and modules.
    modules_out : int, default=0
        Modules that are there and paid for, but out of service.

    Returns
    -------
    Plant
        Limits, losses and auxiliaries; all zero for no battery.

    Raises
    ------
    KeyedError
        If the rules forbid the option, or more modules are out of service than it has.
    """
    cabinets = cabinets_needed(option, catalogue)
    if modules_out and modules_out >= option.modules:
        raise KeyedError(
            "scenario",
            ("availability", "modules_out"),
            found=str(modules_out),
            expected=f"fewer than the {option.modules} modules of the option",
            remedy="without modules the battery has no power; that is an outage, not a case",
        )
    rack, module, cabinet = catalogue.rack, catalogue.module, catalogue.cabinet
    nominal_kwh = option.racks * rack.energy_kwh
    in_service = option.modules - modules_out
    converter = Converter.of(module, in_service)
    thermal = () if rack.thermal is None or not option.racks else rack.thermal.power
    return Plant(
        option=option,
        cabinets=cabinets,
        rating_kva=in_service * module.rating_kva,
        nominal_kwh=nominal_kwh,
        floor_kwh=nominal_kwh * rack.lowest_soc_frac,
        ceiling_kwh=nominal_kwh * rack.highest_soc_frac,
        into_limit_kw=option.racks * rack.most_charge_kw,
        outof_limit_kw=option.racks * rack.most_discharge_kw,
        converter=converter,
        bank=RackBank.of(rack, option.racks),
        charge_taper=None
        if rack.charge_taper is None
        else EndTaper(nominal_kwh * rack.charge_taper.from_soc_frac, rack.charge_taper.at_end_frac),
        discharge_taper=None
        if rack.discharge_taper is None
        else EndTaper(nominal_kwh * rack.discharge_taper.from_soc_frac, rack.discharge_taper.at_end_frac),
        self_discharge_per_h=1 - (1 - rack.self_discharge_frac_per_month) ** (1 / HOURS_PER_MONTH),
        standby_kw=option.racks * rack.standby_kw
        + in_service * module.standby_kw
        + cabinets * cabinet.auxiliary_kw
        + converter.no_load_kw,
        thermal_c=np.array([point.ambient_c for point in thermal]),
        thermal_kw=option.racks * np.array([point.power_kw for point in thermal]),
        derating_c=np.array([point.ambient_c for point in cabinet.derating]),
        derating_frac=np.array([point.share_frac for point in cabinet.derating]),
        parts_cost=rack.cost_of(option.racks) + module.cost_of(option.modules) + cabinet.cost_of(cabinets),
    )
