"""All options of a catalogue side by side."""

import pandas as pd

from crestfall.plant._connection import connection_sheet
from crestfall.plant._option import Option, allowed_options
from crestfall.scenario import CatalogueFile, Connection

OPTIONS_COLUMNS = (
    "racks",
    "modules",
    "cabinets",
    "rating_kva",
    "nominal_kwh",
    "usable_kwh",
    "usable_h",
    "parts_cost",
    "footprint_m2",
    "mass_kg",
    "ac_a",
    "rack_a",
)


def options_table(catalogue: CatalogueFile, *, volts: float = 400.0) -> pd.DataFrame:
    """
    Return every option with a battery that the rules of a catalogue allow.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    volts : float, default=400.0
        Nominal voltage between the phases of a three-phase connection [V].

    Returns
    -------
    DataFrame
        Fewest racks first, then fewest modules; the columns are `OPTIONS_COLUMNS`:

        racks, modules, cabinets
            How many.
        rating_kva
            Sum of the modules' ratings [kVA].
        nominal_kwh, usable_kwh
            Energy of the new racks, and what of it lies in the usable window, DC [kWh].
        usable_h
            Usable energy over rating [h].
        parts_cost
            Price of racks, modules and cabinets, in the currency of the catalogue.
        footprint_m2
            Floor that the cabinets cover; NaN where their size is unknown [m²].
        mass_kg
            Mass of all parts; NaN where one is unknown [kg].
        ac_a
            AC current per phase at the rating and at nominal voltage [A].
        rack_a
            Highest DC current of one rack at its lowest voltage; NaN where the voltage is unknown [A].
    """
    site = Connection(nominal_v=volts)
    rows = [_row(catalogue, option, site) for option in allowed_options(catalogue)]
    table = pd.DataFrame(rows, columns=list(OPTIONS_COLUMNS))
    counts = ["racks", "modules", "cabinets"]
    return table.astype({column: int if column in counts else float for column in OPTIONS_COLUMNS})


def _row(catalogue: CatalogueFile, option: Option, site: Connection) -> dict[str, float | None]:
    sheet = connection_sheet(catalogue, option, site)
    rack, module, cabinet = catalogue.rack, catalogue.module, catalogue.cabinet
    nominal_kwh = option.racks * rack.energy_kwh
    usable_kwh = nominal_kwh * (rack.highest_soc_frac - rack.lowest_soc_frac)
    return {
        "racks": option.racks,
        "modules": option.modules,
        "cabinets": sheet.cabinets,
        "rating_kva": sheet.rating_kva,
        "nominal_kwh": nominal_kwh,
        "usable_kwh": usable_kwh,
        "usable_h": usable_kwh / sheet.rating_kva,
        "parts_cost": option.racks * rack.price + option.modules * module.price + sheet.cabinets * cabinet.price,
        "footprint_m2": sheet.footprint_m2,
        "mass_kg": sheet.mass_kg,
        "ac_a": sheet.ac_nominal_a,
        "rack_a": sheet.rack_a,
    }
