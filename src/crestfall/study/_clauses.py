"""What the optimiser sees of a tariff: each clause as prices of steps, peaks, sums, and rows between them.

Linear clauses go in as they are. Those that are not convex (blocks that get cheaper, payments that end at zero) get a
choice of 0 or 1 each. Some are seen at their value without the battery, and the difference of objective and bill says
what that is worth: reactive demand beyond a share of peak kW, and the ends of blocks by hours use that get dearer.
Rounding is left to the bill.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.dispatch import FlowSum, Peak, Reference, SettlementWriter
from crestfall.scenario.tariff_clauses import MinimumBill, NetMetering
from crestfall.scenario.tariff_file import EXPORT_LINE
from crestfall.tariff import (
    CapacityLine,
    CoincidentLine,
    DemandLine,
    EnergyLine,
    EventLine,
    FixedLine,
    Measure,
    Rates,
    ReactiveLine,
    Readings,
    Sheet,
    Tiers,
    interval_means,
    lines_on,
)

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clauses:
    """A tariff as the optimiser sees it.

    Parameters
    ----------
    buy_per_kwh, sell_per_kwh : ndarray of shape (n_steps,)
        Prices of the steps.
    writer : SettlementWriter
        Peaks, sums, further variables and rows.
    fixed_cost : float
        What is due whatever is done.
    """

    buy_per_kwh: FloatArray
    sell_per_kwh: FloatArray
    writer: SettlementWriter
    fixed_cost: float


def clauses_of(
    rates: Rates,
    before: Readings,
    *,
    most_import_kw: FloatArray,
    least_energy_kwh: float = 0.0,
    kvar: FloatArray | None = None,
    last_year: Readings | None = None,
) -> Clauses:
    """
    Write down a tariff for the optimiser.

    Parameters
    ----------
    rates : Rates
        The tariff on the steps.
    before : Readings
        The site without the battery: baselines of events, and history of ratchets in the first year.
    most_import_kw : ndarray of shape (n_steps,)
        Import that no schedule exceeds [kW].
    least_energy_kwh : float, default=0.0
        What a full store may keep out of a period's import; bounds how low it can go [kWh].
    kvar : ndarray of shape (n_steps,), optional
        Reactive power with the battery; left out: that of the site alone [kvar].
    last_year : Readings, optional
        The year that ratchets look back at; left out: `before`.

    Returns
    -------
    Clauses
        Prices, peaks, sums and rows.
    """
    writer = SettlementWriter()
    buy, sell, fixed_cost = np.zeros_like(most_import_kw), np.zeros_like(most_import_kw), 0.0
    for sheet in rates.sheets:
        after = before if kvar is None else replace(before, kvar=kvar)
        remembered = before if last_year is None else last_year
        scribe = _Scribe(sheet, before, after, remembered, writer, most_import_kw, rates.step_h, least_energy_kwh)
        scribe.write()
        buy += scribe.buy
        sell += scribe.sell
        fixed_cost += scribe.fixed_cost
    return Clauses(buy_per_kwh=buy, sell_per_kwh=sell, writer=writer, fixed_cost=fixed_cost)


@dataclass(slots=True)
class _Amount:
    """What one line costs in one period, before surcharges: prices of steps, weighted references, and a constant."""

    buy: FloatArray | None = None
    sell: FloatArray | None = None
    terms: list[tuple[Reference, float]] = field(default_factory=list)
    constant: float = 0.0


class _Scribe:
    """Writes one sheet."""

    def __init__(
        self,
        sheet: Sheet,
        before: Readings,
        after: Readings,
        last_year: Readings,
        writer: SettlementWriter,
        most_import_kw: FloatArray,
        step_h: float,
        least_energy_kwh: float,
    ) -> None:
        self._sheet = sheet
        self._before = before
        self._after = after  # the same flows with the reactive power that the battery leaves
        self._writer = writer
        self._most_import_kw = most_import_kw
        self._h = step_h
        self._store_kwh = least_energy_kwh
        self._last_year = last_year  # what ratchets look back at
        self._billed: dict[str, list[Reference]] = {}
        self._amounts: dict[tuple[str, str], _Amount] = {}
        self.buy = np.zeros_like(most_import_kw)
        self.sell = np.zeros_like(most_import_kw)
        self.fixed_cost = 0.0

    def write(self) -> None:
        sheet = self._sheet
        for line in sheet.demand:
            self._demand(line)
        for contract in sheet.capacity:
            self._capacity(contract)
        if sheet.tariff.export.net_metering is None:
            for energy in sheet.energy:
                self._energy(energy)
            for export in sheet.export:
                self._export(export)
        else:
            for energy in sheet.energy:
                self._netted(energy, sheet.tariff.export.net_metering)
        for coincident in sheet.coincident:
            self._coincident(coincident)
        for event in sheet.events:
            self._event(event)
        for reactive in sheet.reactive:
            self._reactive(reactive)
        for fixed in sheet.fixed:
            self._fixed(fixed)
        if sheet.tariff.minimum_bill is not None:
            self._minimum_bill(sheet.tariff.minimum_bill)

    # What a line costs -------------------------------------------------------------------------------------------

    def _weight(self, line: str) -> float:
        """Return what one unit of money on a line costs with surcharges."""
        return self._sheet.weights[line]

    def _amount(self, line: str, period: str) -> _Amount:
        return self._amounts.setdefault((line, period), _Amount())

    def _variable(self, line: str, period: str, *, rate: float, upper: float) -> Reference:
        """Add a variable that a line prices in a period."""
        cost = self._weight(line) * rate
        reference = self._writer.variable(f"{line}, {period}", cost=cost, upper=upper)
        self._amount(line, period).terms.append((reference, rate))
        return reference

    def _constant(self, line: str, period: str, amount: float) -> None:
        self.fixed_cost += self._weight(line) * amount
        self._amount(line, period).constant += amount

    # Demand ------------------------------------------------------------------------------------------------------

    def _peak(self, measure: Measure, period: int, name: str, *, unit: str, rate: float = 0.0) -> Reference:
        steps = measure.intervals_in(period)
        kvar = interval_means(self._after.reactive_kvar, steps, measure.span) if unit == "kVA" else None
        return self._writer.peak(Peak(name=name, rate_per_kw=rate, steps=steps, span=measure.span, kvar=kvar))

    def _most(self, measure: Measure) -> float:
        """Return demand that no schedule exceeds."""
        most = float(self._most_import_kw.max(initial=0.0))
        kvar = self._after.kvar
        return most if kvar is None else float(np.hypot(most, np.abs(kvar).max(initial=0.0)))

    def _demand(self, line: DemandLine) -> None:
        names, weight = line.measure.periods.names, self._weight(line.name)
        is_hours_base = any(e.tiers is not None and e.tiers.hours_of == line.name for e in self._sheet.energy)
        is_plain = line.memory is None and line.target_frac is None and not (line.minimum or line.free or is_hours_base)
        if is_plain:
            for p in line.in_use.tolist():
                reference = self._peak(
                    line.measure, p, f"{line.name}, {names[p]}", unit=line.measure.unit, rate=weight * line.rate[p]
                )
                # Daily peaks are billed by the month; a minimum bill sees them there.
                period = self._billing_period(line, p)
                self._amount(line.name, period).terms.append((reference, line.rate[p]))
            return
        self._billed_demand(line)

    def _billing_period(self, line: DemandLine, p: int) -> str:
        measure = line.measure
        if not line.is_daily:
            return measure.periods.names[p]
        return line.billing.names[int(line.billing.of[measure.intervals_in(p)[0]])]

    def _billed_demand(self, line: DemandLine) -> None:
        """Billed demand lies above the peak, its remembered share, the power factor's share and the minimum."""
        measure, writer = line.measure, self._writer
        periods, most = measure.periods, max(self._most(measure), line.minimum)
        peaks = [
            self._peak(measure, p, f"{line.name}, {name}", unit=measure.unit) for p, name in enumerate(periods.names)
        ]
        earlier = line.earlier_peaks(self._last_year) if line.memory is not None else np.zeros(0)
        most = max(most, float(earlier.max(initial=0.0)))
        used = set(line.in_use.tolist())
        billed = []
        for p, name in enumerate(periods.names):
            level = writer.variable(f"billed {line.name}, {name}", upper=most)
            billed.append(level)
            if p not in used:
                continue
            if line.memory is None or line.memory.counts_current:
                writer.row([(level, 1.0), (peaks[p], -1.0)], at_least=0.0)
            if line.minimum:
                writer.row([(level, 1.0)], at_least=line.minimum)
            if line.target_frac is not None:
                apparent = self._peak(measure, p, f"kVA of {line.name}, {name}", unit="kVA")
                writer.row([(level, 1.0), (apparent, -line.target_frac)], at_least=0.0)
            if line.memory is not None:
                share, looks_at = line.memory.share_frac, line.memory.looks_at[p]
                writer.row([(level, 1.0)], at_least=share * float(earlier[looks_at[looks_at < 0]].max(initial=0.0)))
                for j in looks_at[looks_at >= 0]:
                    writer.row([(level, 1.0), (peaks[j], -share)], at_least=0.0)
            paid = self._variable(line.name, self._billing_period(line, p), rate=line.rate[p], upper=most)
            writer.row([(paid, 1.0), (level, -1.0)], at_least=-line.free)
        self._billed[line.name] = billed

    def _billed_before(self, name: str) -> FloatArray:
        """Return the billed peaks of a demand charge without the battery."""
        line = next(line for line in self._sheet.demand if line.name == name)
        return line.billed(self._before, self._before)

    def _capacity(self, line: CapacityLine) -> None:
        measure = line.measure
        periods, most = measure.periods, self._most(measure)
        in_use = np.flatnonzero(periods.factor > 0).tolist()
        level: Reference | None = None
        if line.choose or line.contracted is None:
            level = self._writer.variable(f"contracted {line.name}", upper=max(most, line.least))
            self._writer.row([(level, 1.0)], at_least=line.least)
        for p in in_use:
            name = periods.names[p]
            peak = self._peak(measure, p, f"{line.name}, {name}", unit=measure.unit)
            excess = self._variable(line.name, name, rate=line.excess_rate[p], upper=most)
            if level is None:
                self._constant(line.name, name, line.rate[p] * (line.contracted or 0.0))
                self._writer.row([(excess, 1.0), (peak, -1.0)], at_least=-(line.contracted or 0.0))
            else:
                paid = self._variable(line.name, name, rate=line.rate[p], upper=max(most, line.least))
                self._writer.row([(paid, 1.0), (level, -1.0)], at_least=0.0)
                self._writer.row([(excess, 1.0), (peak, -1.0), (level, 1.0)], at_least=0.0)

    # Energy ------------------------------------------------------------------------------------------------------

    def _energy(self, line: EnergyLine) -> None:
        price = line.share * line.price_per_kwh
        self.buy += self._weight(line.name) * price
        self._keep_prices(line, price, "buy")
        if line.tiers is None:
            return
        periods = line.tiers.periods
        for p in line.in_use:
            steps = np.flatnonzero((periods.of == p) & (line.share > 0))
            energy = self._import_sum(f"energy of {line.name}, {periods.names[p]}", steps, line.share[steps])
            least, most = self._range_kwh(steps, line.share[steps])
            self._tiers(line.name, line.tiers, p, energy, least, most)

    def _tiers(self, name: str, tiers: Tiers, p: int, energy: Reference, least: float, most: float) -> None:
        """Price what lies beyond each block's end at the step of the rate; the first rate is in the steps' prices."""
        period, factor = tiers.periods.names[p], tiers.periods.factor[p]
        for end, change in zip(tiers.ends * factor, np.diff(tiers.rates_per_kwh), strict=True):
            if tiers.hours_of is None:
                self._beyond(name, period, energy, [], end, end, change, least, most)
            elif change > 0:
                # A higher billed peak would make room for cheap energy, and nothing holds it down but its own price.
                fixed_end = end * self._billed_before(tiers.hours_of)[p]
                self._beyond(name, period, energy, [], fixed_end, fixed_end, change, least, most)
            else:
                billed = self._billed[tiers.hours_of][p]
                most_billed = max(float(self._most_import_kw.max(initial=0.0)), 1.0)
                kvar = self._after.kvar
                if kvar is not None:
                    most_billed = float(np.hypot(most_billed, np.abs(kvar).max(initial=0.0)))
                self._beyond(name, period, energy, [(billed, -end)], 0.0, end * most_billed, change, least, most)

    def _beyond(
        self,
        line: str,
        period: str,
        energy: Reference,
        moving: list[tuple[Reference, float]],
        end: float,
        highest_end: float,
        change: float,
        least: float,
        most: float,
    ) -> None:
        """Price energy beyond an end, fixed or moving with billed demand, at the change of the rate there."""
        if change == 0 or (not moving and most <= end):
            return
        beyond = self._variable(line, period, rate=change, upper=max(most - (0.0 if moving else end), 0.0))
        if change > 0:
            self._writer.row([(beyond, 1.0), (energy, -1.0), *[(r, -w) for r, w in moving]], at_least=-end)
            return
        # Cheaper beyond the end: not convex, so either nothing lies beyond, or all that does.
        is_beyond = self._writer.variable(f"{line} beyond {end:g}, {period}", upper=1.0, is_choice=True)
        slack = max(highest_end - least, 0.0)
        self._writer.row(
            [(beyond, 1.0), (energy, -1.0), *[(r, -w) for r, w in moving], (is_beyond, slack)], at_most=slack - end
        )
        self._writer.row([(beyond, 1.0), (is_beyond, -max(most - (0.0 if moving else end), 0.0))], at_most=0.0)

    def _export(self, line: EnergyLine) -> None:
        price = line.share * line.price_per_kwh
        self.sell += self._weight(line.name) * price
        self._keep_prices(line, price, "sell")

    def _keep_prices(self, line: EnergyLine, price: FloatArray, side: str) -> None:
        """Remember the prices of each period for the minimum bill, the only clause that asks for them."""
        if self._sheet.tariff.minimum_bill is not None:
            for p, period in enumerate(line.billing.names):
                setattr(self._amount(line.name, period), side, np.where(line.billing.of == p, price, 0.0))

    def _netted(self, line: EnergyLine, net: NetMetering) -> None:
        """Export runs the meter of each line back; unused credit goes on, or is settled."""
        periods, writer = line.billing, self._writer
        # What a battery exports it has imported first.
        most = float(np.sum(self._most_import_kw) + np.sum(self._before.export_kw)) * self._h
        credit: Reference | None = None
        for p in np.flatnonzero(periods.factor > 0).tolist():
            period = periods.names[p]
            steps = np.flatnonzero((periods.of == p) & (line.share > 0))
            weight = line.share[steps] * self._h
            name = f"net of {line.name}, {period}"
            balance = writer.sum(FlowSum(name=name, steps=steps, import_weight=weight, export_weight=-weight))
            billed = self._variable(line.name, period, rate=line.price_per_kwh[0], upper=most)
            is_settled = p == np.flatnonzero(periods.factor > 0)[-1] or not net.carry_over
            # The same kWh are credited in every component, and paid once.
            is_settled &= line.component == self._sheet.energy[0].component
            earns = net.settlement_rate_per_kwh if is_settled else 0.0
            left = self._variable(EXPORT_LINE, period, rate=-earns, upper=most)
            before = [] if credit is None else [(credit, 1.0)]
            writer.row([(billed, 1.0), (left, -1.0), (balance, -1.0), *before], at_least=0.0, at_most=0.0)
            credit = left if net.carry_over else None
            if line.tiers is not None and steps.size:
                if net.carry_over:
                    # Credit would rather be kept for a month of dearer blocks; the bill uses it up first.
                    is_owed = writer.variable(f"{name} is owed", upper=1.0, is_choice=True)
                    writer.row([(is_owed, most), (billed, -1.0)], at_least=0.0)
                    writer.row([(is_owed, -most), (left, -1.0)], at_least=-most)
                self._tiers(line.name, line.tiers, p, billed, 0.0, most)

    # Named times, reactive power, fixed amounts --------------------------------------------------------------------

    def _coincident(self, line: CoincidentLine) -> None:
        if line.steps.size:
            rate = line.rate_per_kw / (line.steps.size * self._h)
            price = np.zeros_like(self.buy)
            price[line.steps] = rate
            self.buy += self._weight(line.name) * price
            self._amount(line.name, line.year.names[0]).buy = price

    def _event(self, line: EventLine) -> None:
        """Less import earns down from the baseline; import beyond it costs nothing more, which is not convex."""
        rate = line.rate_per_kwh
        price: dict[str, FloatArray] = {}
        for event, (steps, baseline) in enumerate(zip(line.events, line.baselines_kwh(self._before), strict=True)):
            period = line.billing.names[line.period_of(event)]
            price.setdefault(period, np.zeros_like(self.buy))[steps] += rate
            self._constant(line.name, period, -rate * baseline)
            energy = self._import_sum(f"{line.name}, event {event + 1}", steps, np.ones(len(steps)))
            least, most = self._range_kwh(steps, np.ones(len(steps)))
            self._beyond(line.name, period, energy, [], baseline, baseline, -rate, least, most)
        for period, of_steps in price.items():
            self.buy += self._weight(line.name) * of_steps
            self._amount(line.name, period).buy = of_steps

    def _reactive(self, line: ReactiveLine) -> None:
        drawn = line.drawn(self._after)
        in_use = np.flatnonzero(line.billing.factor > 0).tolist()
        if line.unit == "kvar":
            beyond = np.maximum(drawn - line.free_share * line.active(self._before), 0.0)
            for p in in_use:
                self._constant(line.name, line.billing.names[p], line.rate_in(p) * beyond[p])
            return
        for p in in_use:
            period = line.billing.names[p]
            steps = np.flatnonzero(line.counted & (line.billing.of == p))
            energy = self._import_sum(f"energy for {line.name}, {period}", steps, np.ones(len(steps)))
            paid = self._variable(line.name, period, rate=line.rate, upper=drawn[p])
            self._writer.row([(paid, 1.0), (energy, line.free_share)], at_least=drawn[p])

    def _fixed(self, line: FixedLine) -> None:
        for p in np.flatnonzero(line.quantity > 0).tolist():
            self._constant(line.name, self._sheet.layout.billing.names[p], line.rate * line.quantity[p])

    def _minimum_bill(self, minimum: MinimumBill) -> None:
        """What is missing to the minimum lies above it less the lines that count."""
        tariff, billing = self._sheet.tariff, self._sheet.layout.billing
        written = {line: g for line, g in tariff.line_groups.items() if g not in ("minimum", "surcharge")}
        on = lines_on(minimum.on, written)
        for p in np.flatnonzero(billing.factor > 0).tolist():
            period, due = billing.names[p], minimum.amount_per_month * billing.factor[p]
            amounts = [a for (line, of), a in self._amounts.items() if of == period and line in on]
            buy, sell = (self._prices(amounts, side) for side in ("buy", "sell"))
            steps = np.flatnonzero((buy != 0) | (sell != 0))
            flows = self._writer.sum(
                FlowSum(
                    name=f"lines of {minimum.name}, {period}",
                    steps=steps,
                    import_weight=buy[steps] * self._h,
                    export_weight=-sell[steps] * self._h,
                )
            )
            missing = self._variable(minimum.name, period, rate=1.0, upper=due + self._spread(amounts))
            terms = [term for amount in amounts for term in amount.terms]
            constant = sum(amount.constant for amount in amounts)
            self._writer.row([(missing, 1.0), (flows, 1.0), *terms], at_least=due - constant)

    def _prices(self, amounts: list[_Amount], side: str) -> FloatArray:
        parts = [getattr(amount, side) for amount in amounts if getattr(amount, side) is not None]
        return np.sum(parts, axis=0) if parts else np.zeros_like(self.buy)

    def _spread(self, amounts: list[_Amount]) -> float:
        """Return a generous bound on what lines could earn, by which more may be missing than the minimum."""
        sell = self._prices(amounts, "sell")
        constants = sum(abs(amount.constant) for amount in amounts)
        return 1e6 + constants + float(np.abs(sell).sum()) * self._h * float(self._most_import_kw.max(initial=0.0))

    # Sums --------------------------------------------------------------------------------------------------------

    def _import_sum(self, name: str, steps: NDArray[np.int64], share: FloatArray) -> Reference:
        return self._writer.sum(
            FlowSum(name=name, steps=steps, import_weight=share * self._h, export_weight=np.zeros(len(steps)))
        )

    def _range_kwh(self, steps: NDArray[np.int64], share: FloatArray) -> tuple[float, float]:
        """Return what the import of some steps cannot fall below or exceed: a store shifts no more than it holds."""
        most = float((share * self._most_import_kw[steps]).sum()) * self._h
        net = self._before.import_kw[steps] - self._before.export_kw[steps]
        runs = _runs(steps)
        least = float((share * net).sum()) * self._h - runs * self._store_kwh
        return max(least, 0.0), most


def _runs(steps: NDArray[np.int64]) -> int:
    """Return in how many unbroken runs some steps come; a store can empty itself once in each."""
    return int(np.count_nonzero(np.diff(steps) > 1)) + 1 if steps.size else 0


def notes_on(rates: Rates) -> Iterator[str]:
    """
    Yield what the optimiser does not see as the bill has it.

    Parameters
    ----------
    rates : Rates
        The tariff.

    Yields
    ------
    str
        A clause and how it is seen.
    """
    for sheet in rates.sheets:
        for line in sheet.reactive:
            if line.unit == "kvar":
                yield f"'{line.name}' is seen at its value without the battery"
        for energy in sheet.energy:
            if energy.tiers is not None and energy.tiers.hours_of and (np.diff(energy.tiers.rates_per_kwh) > 0).any():
                yield f"the blocks of '{energy.name}' end at the hours use of the peak without the battery"
        if sheet.tariff.rounding.model_dump(exclude_none=True):
            yield "rounding is left to the bill"
