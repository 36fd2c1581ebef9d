"""One tariff sheet on the steps of a year: all its lines, and their rows for given readings."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from crestfall.scenario import TariffFile
from crestfall.tariff._amounts import FixedLine, fixed_lines, line_weights, with_minimum_and_surcharges
from crestfall.tariff._demand import CapacityLine, DemandLine, capacity_lines, demand_lines
from crestfall.tariff._energy import EnergyLine, energy_lines, export_lines, net_metered_rows
from crestfall.tariff._layout import Layout
from crestfall.tariff._occasions import CoincidentLine, EventLine, coincident_lines, event_lines
from crestfall.tariff._reactive import ReactiveLine, reactive_lines
from crestfall.tariff._readings import FloatArray, Readings, Row


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A tariff sheet on the steps of a year.

    Parameters
    ----------
    layout : Layout
        The file and the axis.
    energy, export : tuple of EnergyLine
        Prices of import and of export.
    demand : tuple of DemandLine
        Demand charges.
    capacity : tuple of CapacityLine
        Contracted levels.
    coincident : tuple of CoincidentLine
        Charges at system peaks.
    events : tuple of EventLine
        Payments for using less.
    reactive : tuple of ReactiveLine
        Reactive charges.
    fixed : tuple of FixedLine
        Fixed amounts.
    weights : dict of str to float
        What one unit of money on a line costs with all surcharges.
    """

    layout: Layout
    energy: tuple[EnergyLine, ...]
    export: tuple[EnergyLine, ...]
    demand: tuple[DemandLine, ...]
    capacity: tuple[CapacityLine, ...]
    coincident: tuple[CoincidentLine, ...]
    events: tuple[EventLine, ...]
    reactive: tuple[ReactiveLine, ...]
    fixed: tuple[FixedLine, ...]
    weights: dict[str, float]

    @classmethod
    def of(cls, layout: Layout) -> "Sheet":
        """Lay all charges of a file on its axis."""
        return cls(
            layout=layout,
            energy=energy_lines(layout),
            export=export_lines(layout),
            demand=demand_lines(layout),
            capacity=capacity_lines(layout),
            coincident=coincident_lines(layout),
            events=event_lines(layout),
            reactive=reactive_lines(layout),
            fixed=fixed_lines(layout),
            weights=line_weights(layout.tariff),
        )

    @property
    def tariff(self) -> TariffFile:
        """The file."""
        return self.layout.tariff

    @property
    def buy_per_kwh(self) -> FloatArray:
        """Price of one imported kWh in each step, surcharges included; of blocks that of the first."""
        return sum(
            (self.weights[line.name] * line.share * line.price_per_kwh for line in self.energy),
            np.zeros(self.layout.clock.n_steps),
        )

    @property
    def sell_per_kwh(self) -> FloatArray:
        """What one exported kWh earns in each step, surcharges included; with net metering what it saves."""
        if self.tariff.export.net_metering is not None:
            return self.buy_per_kwh
        return sum(
            (self.weights[line.name] * line.share * line.price_per_kwh for line in self.export),
            np.zeros(self.layout.clock.n_steps),
        )

    @property
    def needs_kvar(self) -> bool:
        """Whether the bill depends on reactive power."""
        charges: list[DemandLine | CapacityLine] = [*self.demand, *self.capacity]
        measured = [line.measure.unit for line in charges]
        return "kVA" in measured or bool(self.reactive) or any(line.target_frac is not None for line in self.demand)

    def rows(self, readings: Readings, before: Readings, last_year: Readings, *, as_contracted: bool) -> list[Row]:
        """
        Return the bill of a year of readings, line by line.

        Parameters
        ----------
        readings : Readings
            The year.
        before : Readings
            The same year without the battery, for the baselines of events.
        last_year : Readings
            The year before, for ratchets.
        as_contracted : bool
            Whether contracted levels are those of today's contract, or may be chosen where the sheet says so.

        Returns
        -------
        list of Row
            Rounded as the sheet says.
        """
        charges = list(self._charges(readings, before, last_year, as_contracted=as_contracted))
        return list(with_minimum_and_surcharges(self.tariff, charges, self.layout))

    def _charges(
        self, readings: Readings, before: Readings, last_year: Readings, *, as_contracted: bool
    ) -> Iterator[Row]:
        names = self.layout.billing.names
        billed = {line.name: line.billed(readings, last_year) for line in self.demand}
        yield from self._energy_rows(readings, billed)
        for line in self.demand:
            yield from line.rows(billed[line.name])
        for contract in self.capacity:
            peaks = contract.measure.peaks(readings)
            yield from contract.rows(peaks, contract.level(peaks, as_contracted=as_contracted))
        for coincident in self.coincident:
            yield from coincident.rows(readings)
        for event in self.events:
            yield from event.rows(readings, before)
        for reactive in self.reactive:
            yield from reactive.rows(readings)
        yield from self._export_rows(readings)
        for fixed in self.fixed:
            yield from fixed.rows(names)

    def _energy_rows(self, readings: Readings, billed: dict[str, FloatArray]) -> Iterator[Row]:
        layout, net = self.layout, self.tariff.export.net_metering
        if net is not None:
            last_period = layout.billing.names[int(np.flatnonzero(layout.billing.factor > 0)[-1])]
            yield from net_metered_rows(self.energy, net, readings, layout.step_h, last_period)
            return
        for line in self.energy:
            if line.tiers is None:
                yield from line.rows("energy", readings.import_kw, layout.step_h, sign=1.0)
                continue
            periods = line.tiers.periods
            kwh = periods.sums(line.share * readings.import_kw) * layout.step_h
            peaks = np.zeros(periods.n) if line.tiers.hours_of is None else billed[line.tiers.hours_of]
            yield from line.tier_rows(kwh, peaks)

    def _export_rows(self, readings: Readings) -> Iterator[Row]:
        if not readings.export_kw.any():
            return
        export_kw = readings.export_kw
        if self.tariff.export.battery_exports != "paid" and readings.surplus_kw is not None:
            export_kw = np.minimum(export_kw, readings.surplus_kw)
        for line in self.export:
            yield from line.rows("export", export_kw, self.layout.step_h, sign=-1.0)
