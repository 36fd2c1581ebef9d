"""Plants whose racks are no longer new, or only as good as is guaranteed."""

from dataclasses import replace

from scipy.optimize import brentq

from crestfall.errors import KeyedError
from crestfall.plant import Plant


def worn_plant(plant: Plant, *, health_frac: float, resistance_growth_frac: float = 0.0) -> Plant:
    """
    Return a plant whose racks have faded: a smaller store and a higher resistance.

    The usable window stays the same share of what the racks hold now. Limits of power stay, for they are limits of
    current; modules do not age.

    Parameters
    ----------
    plant : Plant
        The plant with new racks.
    health_frac : float
        Capacity now over capacity when new.
    resistance_growth_frac : float, default=0.0
        Growth of what resistance loses at the same power.

    Returns
    -------
    Plant
        The worn plant; its nominal energy is that of the new racks, as cycles are counted on it.

    Raises
    ------
    ValueError
        If there is no capacity left.
    """
    if health_frac <= 0:
        raise ValueError(f"health_frac is {health_frac:g}, expected a share above 0")
    tapers = {
        name: None if taper is None else taper._replace(from_kwh=health_frac * taper.from_kwh)
        for name, taper in (("charge_taper", plant.charge_taper), ("discharge_taper", plant.discharge_taper))
    }
    return replace(
        plant,
        floor_kwh=health_frac * plant.floor_kwh,
        ceiling_kwh=health_frac * plant.ceiling_kwh,
        bank=replace(plant.bank, square_per_kw=plant.bank.square_per_kw * (1 + resistance_growth_frac)),
        charge_taper=tapers["charge_taper"],
        discharge_taper=tapers["discharge_taper"],
    )


def plant_as_guaranteed(plant: Plant, round_trip_frac: float) -> Plant:
    """
    Return a plant whose round-trip efficiency at rated power is the one that is guaranteed: a bank's case.

    The difference is put on the racks' efficiencies, in equal shares on both ways.

    Parameters
    ----------
    plant : Plant
        The plant by the catalogue.
    round_trip_frac : float
        Guaranteed efficiency, AC to AC, at rated power.

    Returns
    -------
    Plant
        The plant with other racks.

    Raises
    ------
    KeyedError
        If not even racks without losses in proportion to power would reach it, or it takes racks of less than half.
    """

    def with_racks(factor: float) -> Plant:
        bank = plant.bank
        return replace(
            plant,
            bank=replace(bank, charge_frac=factor * bank.charge_frac, discharge_frac=factor * bank.discharge_frac),
        )

    def beyond(factor: float) -> float:
        return with_racks(factor).round_trip_frac - round_trip_frac

    lowest, highest = 0.5, 1 / max(plant.bank.charge_frac, plant.bank.discharge_frac)
    if beyond(lowest) > 0 or beyond(highest) < 0:
        raise KeyedError(
            "catalogue",
            ("rack", "warranty", "round_trip_frac"),
            found=f"{round_trip_frac:g}",
            expected=f"{with_racks(lowest).round_trip_frac:.3f} to {with_racks(highest).round_trip_frac:.3f},"
            " what modules and resistance leave",
            remedy=f"the catalogue's own curves give {plant.round_trip_frac:.3f}; compare the conditions of both",
        )
    return with_racks(float(brentq(beyond, lowest, highest, xtol=1e-14)))
