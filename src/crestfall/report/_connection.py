"""What an option asks of its connection and place, in words; and all options of a catalogue as a table."""

import textwrap
from pathlib import Path

import numpy as np
import pandas as pd

from crestfall.errors import KeyedError
from crestfall.plant import (
    ConnectionSheet,
    Current,
    Option,
    WithinLimits,
    ac_current_a,
    connection_sheet,
    highest_kva,
    highest_within_kva,
)
from crestfall.report import _style as style
from crestfall.report._files import checked_picture_kind, write_asked, write_picture
from crestfall.report._one_line import draw_connection
from crestfall.report._retold import retold
from crestfall.report._words import later, number, say, say_many
from crestfall.scenario import CatalogueFile
from crestfall.study import Inputs

UNKNOWN = "-"
NARROWEST = 70  # characters; narrower terminals break lines themselves
CAUTIONS = (
    later(
        "All figures are indicative, for a first talk with the network operator and an electrician. They size no "
        "conductor, no protective device, no earthing and no ventilation."
    ),
    later(
        "Published ampacities (such as IEC 60364-5-52 or table 310.16 of the NEC) hold for one insulation, one way "
        "of laying and 30 °C around it. The currents may be read beside them as information only; no conductor "
        "follows from that."
    ),
    later(
        "Local codes, the makers' instructions and licensed practice decide, with the authority that has jurisdiction."
    ),
    later(
        "Racks store energy that cannot be switched off: their DC terminals stay live when all is open, and a DC "
        "arc does not go out by itself."
    ),
    later(
        "A damaged cell gives off gas that burns and poisons. Detection, ventilation, spacing, escape routes and "
        "access for the fire service are part of the place."
    ),
    later(
        "Before any work: isolate the AC and the DC side, lock out and tag, wait until capacitors are empty, prove "
        "dead."
    ),
)
# Head and format of each column of the table of options.
COLUMNS = {
    "racks": ("racks", ",.0f"),
    "modules": ("modules", ",.0f"),
    "cabinets": ("cab.", ",.0f"),
    "rating_kva": ("kVA", ",.0f"),
    "nominal_kwh": ("kWh", ",.0f"),
    "usable_kwh": ("usable", ",.0f"),
    "usable_h": ("hours", ",.2f"),
    "parts_cost": ("parts", ",.0f"),
    "footprint_m2": ("m²", ",.1f"),
    "mass_kg": ("kg", ",.0f"),
    "ac_a": ("AC A", ",.0f"),
    "rack_a": ("DC A", ",.0f"),
}


def sheet_of(inputs: Inputs) -> ConnectionSheet:
    """
    Return what the option of a scenario asks of its connection and its place.

    Parameters
    ----------
    inputs : Inputs
        A scenario with its data read.

    Returns
    -------
    ConnectionSheet
        The figures, with the highest apparent power before.

    Raises
    ------
    ScenarioError
        If the option is no battery.
    """
    scenario, option = inputs.scenario, inputs.plant.option
    if not option.is_battery:
        error = KeyedError(
            "scenario", ("option",), found=str(option), expected="racks and modules", remedy="name an option to connect"
        )
        raise scenario.located(error)
    before = inputs.without_battery(inputs.rates)
    return connection_sheet(
        scenario.catalogue,
        option,
        scenario.ask.site.connection,
        before_kva=highest_kva(before.import_kw - before.export_kw, before.kvar),
        within=_within_limits(inputs, option),
    )


def _within_limits(inputs: Inputs, option: Option) -> WithinLimits:
    """Return the highest apparent power if the plant did its utmost in each step of the year within its limits."""
    scenario, series, plant = inputs.scenario, inputs.series, inputs.plant
    unlimited = connection_sheet(scenario.catalogue, option, scenario.ask.site.connection)
    charge_kw = np.minimum(inputs.power_limit_kw, unlimited.charge_kw)
    limits = inputs.import_limit_kw, inputs.export_limit_kw(inputs.rates)
    most_kw = [float(limit.max()) if np.isfinite(limit).all() else None for limit in limits]
    available = plant.available_frac(series.temperature_c, series.n_steps)
    ambient = series.temperature_c
    return WithinLimits(
        highest_kva=highest_within_kva(
            inputs.load_kw - series.pv_kw + inputs.auxiliary_kw,
            charge_kw=charge_kw + plant.bank.cooling_frac * plant.rack_loss_kw(charge_kw, charging=True),
            discharge_kw=np.minimum(inputs.power_limit_kw, unlimited.discharge_kw),
            import_limit_kw=limits[0],
            export_limit_kw=limits[1],
            kvar=inputs.kvar,
        ),
        least_available_frac=None if ambient is None else float(available.min()),
        ambient_c=None if ambient is None else (float(ambient.min()), float(ambient.max())),
        import_limit_kw=most_kw[0],
        export_limit_kw=most_kw[1],
    )


def connection_rows(sheet: ConnectionSheet, *, knows_kvar: bool) -> list[tuple[str, str]]:
    """
    Return the figures of a connection in words.

    Parameters
    ----------
    sheet : ConnectionSheet
        The figures.
    knows_kvar : bool
        Whether reactive power is part of the apparent power before.

    Returns
    -------
    list of tuple of (str, str)
        Name and value with unit.
    """
    site = sheet.site
    phases = say("per phase") if site.phases > 1 else say("one phase")
    volts = (site.nominal_v, site.nominal_v * site.lowest_v_frac)
    currents = zip((sheet.ac_nominal_a, sheet.ac_lowest_a), volts, strict=True)
    rows = [
        (
            say("Rated power"),
            say_many(
                sheet.cabinets,
                "{rating} kVA in {n} cabinet",
                "{rating} kVA in {n} cabinets",
                rating=number(sheet.rating_kva),
            ),
        ),
        (
            say("Highest power with these racks"),
            say(
                "{charge} kW charging, {discharge} kW discharging",
                charge=number(sheet.charge_kw),
                discharge=number(sheet.discharge_kw),
            ),
        ),
        (
            say("AC, whole plant, {phases}", phases=phases),
            ", ".join(say("{amps} A at {volts} V", amps=number(amps), volts=number(v)) for amps, v in currents),
        ),
        *((retold(current.name), _current_words(current)) for current in sheet.terminals),
    ]
    if sheet.before_kva is not None:
        caveat = "" if knows_kvar else say(", at least: reactive power is not known")
        both = sheet.before_kva + sheet.adds_kva
        amps = ac_current_a(both, site.nominal_v, phases=site.phases)
        rows += [
            (
                say("Highest apparent power before"),
                say("{before} kVA{caveat}", before=number(sheet.before_kva), caveat=caveat),
            ),
            (
                say("Most that the plant can add"),
                say(
                    "{adds} kVA, {auxiliary} of it auxiliaries",
                    adds=number(sheet.adds_kva),
                    auxiliary=number(sheet.auxiliary_kw, 1),
                ),
            ),
            (
                say("Both together, no limit kept"),
                say(
                    "{both} kVA, {amps} A {phases} at {nominal_v} V; the sum of both",
                    both=number(both),
                    amps=number(amps),
                    phases=phases,
                    nominal_v=number(site.nominal_v),
                ),
            ),
        ]
    if sheet.within is not None:
        kva = sheet.within.highest_kva
        amps = ac_current_a(kva, site.nominal_v, phases=site.phases)
        caveat = "" if knows_kvar else say(", at least")
        rows += [
            (
                say("Both together, limits kept"),
                say(
                    "{kva} kVA, {amps} A {phases} at {nominal_v} V{caveat}: the worst step of the year",
                    kva=number(kva),
                    amps=number(amps),
                    phases=phases,
                    nominal_v=number(site.nominal_v),
                    caveat=caveat,
                ),
            ),
            (say("Limits kept in that"), _limit_words(sheet.within)),
        ]
    floor, mass = sheet.footprint_m2, sheet.mass_kg
    load = (
        "" if floor is None or mass is None else say(", {floor} kg/m² under the cabinets", floor=number(mass / floor))
    )
    rows += [
        (say("Heat given off at highest power"), f"{number(sheet.heat_kw, 1)} kW"),
        (say("Floor, cabinets alone"), UNKNOWN if floor is None else f"{number(floor, 1)} m²"),
        (say("Mass"), UNKNOWN if mass is None else say("{mass} kg{load}", mass=number(mass), load=load)),
    ]
    return rows


def connection_text(inputs: Inputs, sheet: ConnectionSheet, *, width: int) -> str:
    """
    Return the sheet of a connection for a terminal, with its cautions.

    Parameters
    ----------
    inputs : Inputs
        The scenario.
    sheet : ConnectionSheet
        Its figures.
    width : int
        Characters in a line.

    Returns
    -------
    str
        Lines of text.
    """
    rows = connection_rows(sheet, knows_kvar=inputs.series.kvar is not None)
    column = max(len(name) for name, _ in rows) + 2
    width = max(width, NARROWEST)
    figures = [
        textwrap.fill(value, width, initial_indent=f"  {name:<{column}}", subsequent_indent=" " * (column + 2))
        for name, value in rows
    ]
    cautions = [textwrap.fill(caution, width, initial_indent="  - ", subsequent_indent="    ") for caution in CAUTIONS]
    return "\n".join(
        [
            f"{inputs.scenario.ask.site.name}: {sheet.option}",
            *figures,
            "",
            "Cautions",
            *cautions,
        ]
    )


def write_connection_picture(inputs: Inputs, sheet: ConnectionSheet, path: Path) -> None:
    """
    Draw an option at its point of connection and write the picture.

    Parameters
    ----------
    inputs : Inputs
        The scenario.
    sheet : ConnectionSheet
        Its figures.
    path : Path
        A file whose name ends in .svg or .png; an older one is replaced.

    Raises
    ------
    OutputError
        If the name ends otherwise, or the file cannot be written.
    """
    checked_picture_kind(path)
    with style.house_style():
        ax = draw_connection(sheet, inputs.scenario.catalogue, has_pv=bool(inputs.series.pv_kw.any()))
    write_picture(ax, path)


def options_text(catalogue: CatalogueFile, table: pd.DataFrame, *, volts: float) -> str:
    """
    Return the options of a catalogue for a terminal.

    Parameters
    ----------
    catalogue : CatalogueFile
        The parts and the rules.
    table : DataFrame
        `OPTIONS_COLUMNS` of :mod:`crestfall.plant`.
    volts : float
        Nominal voltage for the AC currents [V].

    Returns
    -------
    str
        A line for each option, between a head and what the columns are.
    """
    if table.empty:
        return f"{catalogue.title}\n\n  the rules allow no option"
    columns = [
        [head, *(UNKNOWN if pd.isna(value) else format(value, form) for value in table[key])]
        for key, (head, form) in COLUMNS.items()
    ]
    widths = [max(map(len, cells)) for cells in columns]
    lines = [
        "  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True))
        for row in zip(*columns, strict=True)
    ]
    notes = [
        f"{_counted(len(table), 'option')}; price of parts in {catalogue.currency}; hours: usable kWh over kVA",
        f"AC A: per phase of three, at the rating and {volts:g} V",
        "DC A: one rack at its lowest voltage; currents are indicative",
    ]
    return "\n".join([catalogue.title, "", *lines, "", *notes])


def write_options(table: pd.DataFrame, path: Path) -> None:
    """
    Write the options of a catalogue.

    Parameters
    ----------
    table : DataFrame
        `OPTIONS_COLUMNS` of :mod:`crestfall.plant`.
    path : Path
        A CSV file; an older one is replaced.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    text = table.to_csv(index=False, float_format="%.6f", lineterminator="\n")
    write_asked(path, text.encode(), asked_by="--csv")


def _limit_words(within: WithinLimits) -> str:
    """Return the limits that stand behind an apparent power; what is not limited is said, too."""
    if within.ambient_c is None or within.least_available_frac is None:
        weather = say("no ambient temperature given, so no derating")
    else:
        left = within.least_available_frac
        derated = say("no derating") if left == 1 else say("derating to {left} % of the power", left=number(100 * left))
        weather = say(
            "{derated} at {low} to {high} °C",
            derated=derated,
            low=number(within.ambient_c[0]),
            high=number(within.ambient_c[1]),
        )
    flows = [
        say("no {name} limit", name=name)
        if limit is None
        else say("{name} limit {limit} kW", name=name, limit=number(limit))
        for name, limit in ((say("import"), within.import_limit_kw), (say("export"), within.export_limit_kw))
    ]
    return "; ".join([weather, *flows])


def _current_words(current: Current) -> str:
    if current.current_a is None:
        return say("unknown, the catalogue gives no voltage")
    if current.rated_a is None:
        return say("{current_a} A, rating of the terminals unknown", current_a=number(current.current_a))
    return say(
        "{current_a} A of {rated_a} A: {verdict}",
        current_a=number(current.current_a),
        rated_a=number(current.rated_a),
        verdict=say(current.verdict),
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
