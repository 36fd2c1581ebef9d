"""What an option asks of the point of connection and of its place: currents, apparent power, heat, floor and mass.

All of it is indicative: it sizes no conductor and sets no protection.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from crestfall.plant._curves import Converter, RackBank
from crestfall.plant._option import Option, cabinets_needed
from crestfall.scenario import CatalogueFile, Connection
from crestfall.scenario.catalogue_file import Size

FloatArray = NDArray[np.float64]
Verdict = Literal["ok", "above", "unknown"]
W_PER_KW = 1000.0
POINTS = 401  # of the curve of DC power against AC power


@dataclass(frozen=True, slots=True)
class Current:
    """A current beside the rating of the terminals that it flows through.

    Parameters
    ----------
    name : str
        Where it flows, and at which voltage.
    current_a : float or None
        The current; None where the voltage is unknown [A].
    rated_a : float or None
        Rated current of the terminals; None where it is unknown [A].
    """

    name: str
    current_a: float | None
    rated_a: float | None

    @property
    def verdict(self) -> Verdict:
        """Whether the current is within the rating."""
        if self.current_a is None or self.rated_a is None:
            return "unknown"
        return "above" if self.current_a > self.rated_a else "ok"


@dataclass(frozen=True, slots=True, kw_only=True)
class WithinLimits:
    """The highest apparent power at the point of connection while all limits are kept.

    Parameters
    ----------
    highest_kva : float
        The highest mean of a step [kVA].
    least_available_frac : float or None
        Least share of the power that ambient temperature leaves; None where no temperature is given.
    ambient_c : tuple of float or None
        Lowest and highest ambient temperature; None where none is given [degrees C].
    import_limit_kw, export_limit_kw : float or None
        Highest limits of active power in the year; None where there is none [kW].
    """

    highest_kva: float
    least_available_frac: float | None
    ambient_c: tuple[float, float] | None
    import_limit_kw: float | None
    export_limit_kw: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectionSheet:
    """What one option asks of its connection and its place.

    Parameters
    ----------
    option : Option
        Racks and modules, at least one of each.
    cabinets : int
        Cabinets that hold them.
    site : Connection
        Voltage and phases at the point of connection.
    rating_kva : float
        Sum of the modules' ratings [kVA].
    charge_kw, discharge_kw : float
        Highest AC power in each direction: the rating, or less where the racks' C-rates do not allow it [kW].
    ac_nominal_a, ac_lowest_a : float
        AC current per phase of the whole plant at its rating, at nominal and at lowest voltage [A].
    terminals : tuple of Current
        Currents through the terminals of the fullest cabinet and of one rack.
    heat_kw : float
        Heat that modules and racks give off at the highest power, in the worse direction [kW].
    auxiliary_kw : float
        Highest AC power of controls, fans, heating and cooling [kW].
    before_kva : float or None
        Highest apparent power at the point of connection without the plant; None where it is unknown [kVA].
    within : WithinLimits or None
        The same with the plant, and the limits that it keeps; None where it is unknown.
    footprint_m2 : float or None
        Floor that the cabinets cover, without the space to open and leave them; None where sizes are unknown [m²].
    mass_kg : float or None
        Mass of cabinets, racks and modules; None where one of them is unknown [kg].
    """

    option: Option
    cabinets: int
    site: Connection
    rating_kva: float
    charge_kw: float
    discharge_kw: float
    ac_nominal_a: float
    ac_lowest_a: float
    terminals: tuple[Current, ...]
    heat_kw: float
    auxiliary_kw: float
    before_kva: float | None
    within: WithinLimits | None
    footprint_m2: float | None
    mass_kg: float | None

    @property
    def rack_a(self) -> float | None:
        """DC current of one rack at its lowest voltage, None where the voltage is unknown [A]."""
        return self.terminals[-1].current_a

    @property
    def adds_kva(self) -> float:
        """Most that the plant can add at the point of connection: its rating with its auxiliaries [kVA]."""
        return self.rating_kva + self.auxiliary_kw

    @property
    def in_cabinets(self) -> tuple[Option, ...]:
        """Racks and modules of each cabinet, spread as evenly as they go, the fullest first."""
        racks, modules = (_spread(count, self.cabinets) for count in (self.option.racks, self.option.modules))
        return tuple(Option(*parts) for parts in zip(racks, modules, strict=True))


def connection_sheet(
    catalogue: CatalogueFile,
    option: Option,
    site: Connection,
    *,
    before_kva: float | None = None,
    within: WithinLimits | None = None,
) -> ConnectionSheet:
    """
    Return what an option asks of its connection and its place.

    The current of each of n racks is ``I = P / (n V)`` at the highest power and the lowest voltage V. P is the power
    at the DC terminals: AC power plus the modules' losses when discharging, less them when charging. The larger counts.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    option : Option
        Racks and modules, at least one of each.
    site : Connection
        Voltage and phases at the point of connection.
    before_kva : float, optional
        Highest apparent power there without the plant; left out: unknown.
    within : WithinLimits, optional
        The same with the plant, while limits are kept; left out: unknown.

    Returns
    -------
    ConnectionSheet
        Currents, powers, heat, floor and mass.

    Raises
    ------
    KeyedError
        If the rules forbid the option.
    """
    cabinets = cabinets_needed(option, catalogue)
    rack, module, cabinet = catalogue.rack, catalogue.module, catalogue.cabinet
    rating_kva = option.modules * module.rating_kva
    directions = [_at_highest_power(catalogue, option, charging=charging) for charging in (True, False)]
    (charge_kw, discharge_kw), dc_kw, module_loss, rack_loss = zip(*directions, strict=True)
    lowest_v = site.nominal_v * site.lowest_v_frac
    fullest_kva = math.ceil(option.modules / cabinets) * module.rating_kva
    rated = cabinet.terminals
    rack_a = None if rack.voltage is None else dc_current_a(max(dc_kw) / option.racks, rack.voltage.lowest_v)
    terminals = (
        *(
            Current(
                f"AC, one cabinet, per phase, at {volts:.0f} V",
                ac_current_a(fullest_kva, volts, phases=site.phases),
                None if rated is None else rated.ac_a,
            )
            for volts in (site.nominal_v, lowest_v)
        ),
        Current(
            "DC, one rack" + ("" if rack.voltage is None else f", at {rack.voltage.lowest_v:.0f} V"),
            rack_a,
            None if rated is None else rated.dc_a,
        ),
    )
    thermal_kw = 0.0
    if rack.thermal is not None:
        thermal_kw = option.racks * max(point.power_kw for point in rack.thermal.power)
        thermal_kw += rack.thermal.per_loss_frac * max(rack_loss)
    masses = [
        _times(count, _mass_kg(part.size))
        for count, part in ((cabinets, cabinet), (option.racks, rack), (option.modules, module))
    ]
    return ConnectionSheet(
        option=option,
        cabinets=cabinets,
        site=site,
        rating_kva=rating_kva,
        charge_kw=charge_kw,
        discharge_kw=discharge_kw,
        ac_nominal_a=ac_current_a(rating_kva, site.nominal_v, phases=site.phases),
        ac_lowest_a=ac_current_a(rating_kva, lowest_v, phases=site.phases),
        terminals=terminals,
        heat_kw=max(of_modules + of_racks for of_modules, of_racks in zip(module_loss, rack_loss, strict=True)),
        auxiliary_kw=option.racks * rack.standby_kw
        + option.modules * module.standby_kw
        + cabinets * cabinet.auxiliary_kw
        + thermal_kw,
        before_kva=before_kva,
        within=within,
        footprint_m2=_times(cabinets, None if cabinet.size is None else cabinet.size.width_m * cabinet.size.depth_m),
        mass_kg=None if None in masses else sum(mass for mass in masses if mass is not None),
    )


def ac_current_a(apparent_kva: float, volts: float, *, phases: int = 3) -> float:
    """
    Return the AC current per phase: ``S / (sqrt(3) V)`` with three phases, ``S / V`` with one.

    Parameters
    ----------
    apparent_kva : float
        Apparent power S [kVA].
    volts : float
        Voltage V, between phases where there are three [V].
    phases : int, default=3
        3 or 1.

    Returns
    -------
    float
        The current [A].
    """
    return apparent_kva * W_PER_KW / (math.sqrt(phases) * volts)


def dc_current_a(power_kw: float, volts: float, *, efficiency_frac: float = 1.0) -> float:
    """
    Return the DC current behind a converter that gives an AC power: ``P / (efficiency V)``.

    Parameters
    ----------
    power_kw : float
        AC power P, or DC power where the efficiency is 1 [kW].
    volts : float
        DC voltage V [V].
    efficiency_frac : float, default=1.0
        AC power over DC power.

    Returns
    -------
    float
        The current [A].
    """
    return power_kw * W_PER_KW / (efficiency_frac * volts)


def highest_kva(net_kw: FloatArray, kvar: FloatArray | None = None) -> float:
    """
    Return the highest apparent power of a year: the root of the squares of active and reactive power.

    Parameters
    ----------
    net_kw : ndarray of shape (n_steps,)
        Import less export [kW].
    kvar : ndarray of shape (n_steps,), optional
        Reactive power; left out: unknown, so that the apparent power is at least what is returned [kvar].

    Returns
    -------
    float
        The highest mean of a step [kVA].
    """
    return float(np.max(np.hypot(net_kw, 0.0 if kvar is None else kvar)))


def highest_within_kva(
    idle_kw: FloatArray,
    *,
    charge_kw: FloatArray,
    discharge_kw: FloatArray,
    import_limit_kw: FloatArray,
    export_limit_kw: FloatArray,
    kvar: FloatArray | None = None,
) -> float:
    """
    Return the highest apparent power of a year in which a plant might do its utmost at any time within the limits.

    Charging keeps the import limit; what the site itself draws above it stays. Discharging keeps the export limit, for
    which PV is held back.

    Parameters
    ----------
    idle_kw : ndarray of shape (n_steps,)
        Import less export with the plant at rest [kW].
    charge_kw, discharge_kw : ndarray of shape (n_steps,)
        Most that the plant may draw, with its cooling, and give [kW].
    import_limit_kw, export_limit_kw : ndarray of shape (n_steps,)
        Limits, `inf` for none [kW].
    kvar : ndarray of shape (n_steps,), optional
        Reactive power with the plant; left out: unknown [kvar].

    Returns
    -------
    float
        The highest mean of a step [kVA].
    """
    imported = np.maximum(idle_kw, np.minimum(idle_kw + charge_kw, import_limit_kw))
    exported = np.minimum(discharge_kw - idle_kw, export_limit_kw)
    return highest_kva(np.maximum(np.maximum(imported, exported), 0.0), kvar)


def _at_highest_power(catalogue: CatalogueFile, option: Option, *, charging: bool) -> tuple[float, float, float, float]:
    """Return AC power, DC power, loss of the modules and of the racks [kW] at the rating, or where the racks limit."""
    rack, sign = catalogue.rack, 1.0 if charging else -1.0
    converter, bank = Converter.of(catalogue.module, option.modules), RackBank.of(rack, option.racks)
    limit_kw = option.racks * (rack.most_charge_kw if charging else rack.most_discharge_kw)
    ac_kw = np.linspace(0.0, option.modules * catalogue.module.rating_kva, POINTS)
    module_loss = converter.loss_kw(ac_kw, charging=charging) + converter.no_load_kw
    dc_kw = np.maximum(ac_kw - sign * module_loss, 0.0)
    rack_loss = bank.loss_kw(dc_kw, charging=charging)
    store_kw = np.maximum.accumulate(dc_kw - sign * rack_loss)
    ac = float(np.interp(min(store_kw[-1], limit_kw), store_kw, ac_kw))
    dc, of_modules, of_racks = (float(np.interp(ac, ac_kw, curve)) for curve in (dc_kw, module_loss, rack_loss))
    return ac, dc, of_modules, of_racks


def _spread(count: int, cabinets: int) -> list[int]:
    each, more = divmod(count, cabinets)
    return [each + (number < more) for number in range(cabinets)]


def _mass_kg(size: Size | None) -> float | None:
    return None if size is None else size.mass_kg


def _times(count: int, each: float | None) -> float | None:
    return None if each is None else count * each
