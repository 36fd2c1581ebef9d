"""The tariff file: charges as a tariff sheet states them."""

import datetime as dt
from collections.abc import Iterator
from typing import Self

from pydantic import Field, model_validator

from crestfall.scenario._base import Block, CurrencyCode, FormatVersion, Many, Name, wrong
from crestfall.scenario.tariff_clauses import (
    Billing,
    CapacityCharge,
    CoincidentCharge,
    DayType,
    DemandCharge,
    EnergyCharge,
    Escalation,
    EventPayment,
    Export,
    FixedCharge,
    Holidays,
    HoursOfUse,
    MinimumBill,
    ReactiveCharge,
    Rounding,
    Season,
    Surcharge,
    Windowed,
)

EXPORT_LINE = "Export"  # the line of the bill for what the site sells, where export charges have no names of their own
GROUPS = ("energy", "demand", "capacity", "coincident", "events", "reactive", "export", "fixed", "minimum", "surcharge")
CHARGE_LISTS = {
    "energy": "energy_charges",
    "demand": "demand_charges",
    "capacity": "capacity_charges",
    "coincident": "coincident_charges",
    "events": "event_payments",
    "reactive": "reactive_charges",
    "fixed": "fixed_charges",
}
ALL_LINES = "all"
HIGHEST_RATE = 1e9  # no currency has prices beyond


class TariffFile(Block):
    """A tariff file of format version 1."""

    crestfall_tariff: FormatVersion = Field(description="version of the file format; this Crestfall reads version 1")
    title: Name = Field(description="title of the tariff sheet")
    currency: CurrencyCode = Field(description="three-letter currency code, for example EUR")
    valid_from: dt.date = Field(description="first day on which the sheet is valid, year-month-day")
    allow_negative: bool = Field(default=False, description="true if a rate below zero is meant")
    split_steps: bool = Field(
        default=False, description="a window's edge inside a step: true splits the step by time, false refuses it"
    )
    billing: Billing = Field(default_factory=Billing, description="billing periods")
    seasons: dict[str, Season] = Field(default_factory=dict, description="named ranges of dates")
    day_types: dict[str, DayType] = Field(default_factory=dict, description="named sets of days")
    holidays: Holidays = Field(default_factory=Holidays, description="which days are holidays")
    energy_charges: Many[EnergyCharge] = Field(min_length=1, description="prices of imported energy")
    demand_charges: Many[DemandCharge] = Field(default=(), description="prices of peak import")
    capacity_charges: Many[CapacityCharge] = Field(default=(), description="prices of contracted demand")
    coincident_charges: Many[CoincidentCharge] = Field(default=(), description="prices of import at named times")
    event_payments: Many[EventPayment] = Field(default=(), description="payments for using less when called")
    reactive_charges: Many[ReactiveCharge] = Field(default=(), description="prices of reactive energy or demand")
    fixed_charges: Many[FixedCharge] = Field(default=(), description="amounts due whatever is used")
    export: Export = Field(default_factory=Export, description="what exported energy earns")
    minimum_bill: MinimumBill | None = Field(default=None, description="least sum of some lines, before surcharges")
    surcharges: Many[Surcharge] = Field(default=(), description="shares of other lines, in the order of the sheet")
    rounding: Rounding = Field(default_factory=Rounding, description="how amounts and quantities are rounded")
    hours_of_use: HoursOfUse = Field(
        default_factory=HoursOfUse, description="annual hours of use that place a site on this tariff"
    )
    escalation: Escalation = Field(default_factory=Escalation, description="rise of the rates in later years")

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        _check_names_are_known(self)
        _check_lines_have_their_own_names(self)
        _check_one_remainder(self)
        _check_tiers(self)
        _check_net_metering(self)
        _check_lines_on(self)
        _check_no_huge_rate(self)
        if not self.allow_negative:
            _check_no_negative_rate(self)
        return self

    @property
    def export_lines(self) -> tuple[str, ...]:
        """The lines of the bill for what the site sells."""
        charges = self.export.charges
        return (EXPORT_LINE,) if charges is None else tuple(charge.name for charge in charges)

    @property
    def line_groups(self) -> dict[str, str]:
        """The group of each line of the bill, in the order of the bill."""
        groups: dict[str, str] = {}
        for group, key in CHARGE_LISTS.items():
            if group == "fixed":
                groups |= dict.fromkeys(self.export_lines, "export")
            groups |= {charge.name: group for charge in getattr(self, key)}
        if self.minimum_bill is not None:
            groups[self.minimum_bill.name] = "minimum"
        return groups | {surcharge.name: "surcharge" for surcharge in self.surcharges}


def _windowed(tariff: TariffFile) -> Iterator[tuple[str, Windowed]]:
    """Yield each charge that may have `when`, with its key."""
    for group in ("energy_charges", "demand_charges", "capacity_charges", "reactive_charges"):
        yield from ((f"{group}/{i}", charge) for i, charge in enumerate(getattr(tariff, group)))
    yield from ((f"export/charges/{i}", charge) for i, charge in enumerate(tariff.export.charges or ()))


def _check_names_are_known(tariff: TariffFile) -> None:
    for charge_key, charge in _windowed(tariff):
        for j, when in enumerate(charge.when or ()):
            for key, known in (("seasons", tariff.seasons), ("day_types", tariff.day_types)):
                for k, name in enumerate(getattr(when, key) or ()):
                    if name not in known:
                        listed = ", ".join(known) or "none is defined"
                        raise wrong(
                            f"a name from {key}",
                            f"defined in this file: {listed}",
                            key=f"{charge_key}/when/{j}/{key}/{k}",
                        )
    for group in ("demand_charges", "capacity_charges"):
        for i, charge in enumerate(getattr(tariff, group)):
            if charge.period == "season" and not tariff.seasons:
                raise wrong("seasons in this file", "a seasonal peak needs them", key=f"{group}/{i}/period")


def _check_lines_have_their_own_names(tariff: TariffFile) -> None:
    named = [(f"{key}/{i}", c.name) for key in CHARGE_LISTS.values() for i, c in enumerate(getattr(tariff, key))]
    named += [(f"export/charges/{i}", charge.name) for i, charge in enumerate(tariff.export.charges or ())]
    named += [("minimum_bill", tariff.minimum_bill.name)] if tariff.minimum_bill is not None else []
    named += [(f"surcharges/{i}", surcharge.name) for i, surcharge in enumerate(tariff.surcharges)]
    seen = {ALL_LINES, *GROUPS} | ({EXPORT_LINE} if tariff.export.charges is None else set())
    for key, name in named:
        if name in seen:
            raise wrong(
                "a name that no other charge has",
                f"each line of the bill needs its own name; these are groups: {', '.join(GROUPS)}",
                key=f"{key}/name",
            )
        seen.add(name)


def _check_one_remainder(tariff: TariffFile) -> None:
    lists = [("energy_charges", tariff.energy_charges), ("export/charges", tariff.export.charges or ())]
    for key, charges in lists:
        remainder: set[str] = set()
        for i, charge in enumerate(charges):
            component = getattr(charge, "component", "")
            if charge.when is None and component in remainder:
                raise wrong(
                    "'when' on all charges of a component but one",
                    "two charges cannot both have all remaining times; charges that add up are different components",
                    key=f"{key}/{i}",
                )
            remainder |= {component} if charge.when is None else set()


def _check_tiers(tariff: TariffFile) -> None:
    demand = {charge.name: charge for charge in tariff.demand_charges}
    for i, charge in enumerate(tariff.energy_charges):
        if charge.hours_of is None:
            continue
        if charge.hours_of not in demand:
            listed = ", ".join(demand) or "none is there"
            raise wrong("the name of a demand charge", f"in this file: {listed}", key=f"energy_charges/{i}/hours_of")
        if demand[charge.hours_of].period != charge.tier_period:
            raise wrong(
                f"a demand charge whose period is the {charge.tier_period}, as that of the blocks",
                "set tier_period, or name another demand charge",
                key=f"energy_charges/{i}/hours_of",
            )


def _check_net_metering(tariff: TariffFile) -> None:
    net = tariff.export.net_metering
    if net is None:
        return
    for i, charge in enumerate(tariff.energy_charges):
        if charge.price_series is not None:
            raise wrong(
                "a rate or blocks",
                "kWh of different prices cannot be set off against each other",
                key=f"energy_charges/{i}",
            )
        if charge.hours_of is not None or charge.tier_period == "year":
            raise wrong(
                "blocks of kWh a month",
                "others are not known together with net metering",
                key=f"energy_charges/{i}",
            )
        lowest = min(tier.rate_per_kwh for tier in charge.tiers) if charge.tiers else charge.rate_per_kwh or 0.0
        if charge.component == tariff.energy_charges[0].component and net.settlement_rate_per_kwh > lowest:
            raise wrong(
                f"at most {lowest:g}, the lowest rate of '{charge.name}'",
                "credit that earns more than energy costs would be bought in order to be sold",
                key="export/net_metering/settlement_rate_per_kwh",
            )


def _check_lines_on(tariff: TariffFile) -> None:
    """Surcharges and the minimum bill stand on lines or groups that are there, and written before them."""
    blocks: list[tuple[str, MinimumBill | Surcharge]] = []
    if tariff.minimum_bill is not None:
        blocks.append(("minimum_bill", tariff.minimum_bill))
    blocks += [(f"surcharges/{i}", surcharge) for i, surcharge in enumerate(tariff.surcharges)]
    surcharges = {surcharge.name for surcharge in tariff.surcharges}
    known = {ALL_LINES, *GROUPS, EXPORT_LINE} | (set(tariff.line_groups) - surcharges)
    for key, block in blocks:
        refused = {block.name, "minimum", "surcharge"} if key == "minimum_bill" else set()
        for i, name in enumerate(block.on):
            if name not in known or name in refused:
                raise wrong(
                    "a line or a group written before it",
                    f"groups: {', '.join(GROUPS)}, or all",
                    key=f"{key}/on/{i}",
                )
        known.add(block.name)


def _check_no_negative_rate(tariff: TariffFile) -> None:
    for key, rate in _rates(tariff):
        if rate < 0:
            raise wrong("a number >= 0", "set allow_negative: true if a rate below zero is meant", key=key)


def _check_no_huge_rate(tariff: TariffFile) -> None:
    for key, rate in _rates(tariff):
        if abs(rate) > HIGHEST_RATE:
            raise wrong(f"at most {HIGHEST_RATE:,.0f}", "write prices in the tariff's currency", key=key)


def _rates(tariff: TariffFile) -> Iterator[tuple[str, float]]:
    """Yield each price or amount with its key."""
    lists = {**CHARGE_LISTS, "export": "export/charges"}
    entries = [
        (f"{key}/{i}", charge)
        for group, key in lists.items()
        for i, charge in enumerate(tariff.export.charges or () if group == "export" else getattr(tariff, key))
    ]
    entries += [
        (f"{key}/tiers/{j}", tier) for key, c in entries for j, tier in enumerate(getattr(c, "tiers", None) or ())
    ]
    entries.append(("export", tariff.export))
    for key, block in entries:
        for name in type(block).model_fields:
            rate = getattr(block, name)
            if name.startswith(("rate_per_", "amount_per_", "excess_rate")) and rate is not None:
                yield f"{key}/{name}", rate
