"""The result of a study: cases side by side, what follows from them, and how well they agree."""

from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.ageing import BatteryUse, CycleCount, UseHistograms, cell_temperature_c, cell_use, use_histograms
from crestfall.dispatch import Curve, Schedule
from crestfall.plant import survival_h
from crestfall.replay import EnergyAccount, Replayed
from crestfall.scenario.tariff_file import GROUPS
from crestfall.study._emissions import Emissions, emissions_of
from crestfall.study._inputs import Inputs
from crestfall.study._life_result import Life
from crestfall.study._neighbours import AtMost
from crestfall.study._shown import rows_html
from crestfall.study._sources import SourceFile
from crestfall.study._unforeseen import Unforeseen
from crestfall.tariff import DemandLine, Rates, Readings

SUMMARY_SCHEMA = "crestfall-summary/1"
SCHEDULE_COLUMNS = (
    "load_kw",
    "pv_kw",
    "curtailed_kw",
    "charge_kw",
    "discharge_kw",
    "stored_kwh",
    "import_kw",
    "export_kw",
    "import_before_kw",
    "export_before_kw",
    "buy_per_kwh",
    "sell_per_kwh",
    "temperature_c",
)
PolicyName = Literal["rolling", "rules", "hindsight"]
LEAST_HINDSIGHT_FRAC = 1e-3  # of the bill: of a saving below it no share is taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The site without the battery, with its PV, under one contract.

    Parameters
    ----------
    rates : Rates
        The contract.
    readings : Readings
        What the meters show.
    curtailed_kw : ndarray of shape (n_steps,)
        PV held back by the export limit [kW].
    bill : DataFrame
        `BILL_COLUMNS` of :mod:`crestfall.tariff`.
    """

    rates: Rates
    readings: Readings
    curtailed_kw: NDArray[np.float64]
    bill: pd.DataFrame

    @property
    def import_kw(self) -> NDArray[np.float64]:
        """Import at the point of connection, shape (n_steps,) [kW]."""
        return self.readings.import_kw

    @property
    def export_kw(self) -> NDArray[np.float64]:
        """Export at the point of connection, shape (n_steps,) [kW]."""
        return self.readings.export_kw

    @property
    def bill_total(self) -> float:
        """What is due over the year."""
        return float(self.bill["amount"].sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class PolicyYear:
    """One policy's year: what the true plant did with its plan, and what is due for that.

    Parameters
    ----------
    policy : {"rolling", "rules", "hindsight"}
        What made the schedule.
    rates : Rates
        The contract that the site is billed by.
    schedule : Schedule
        The plan.
    replayed : Replayed
        The plan stepped through the true plant.
    readings : Readings
        What the meters show of the replayed flows.
    bill : DataFrame
        The bill of these flows, recomputed from the meter readings.
    """

    policy: PolicyName
    rates: Rates
    schedule: Schedule
    replayed: Replayed
    readings: Readings
    bill: pd.DataFrame

    @property
    def energy(self) -> EnergyAccount:
        """Where the replayed energy went."""
        return self.replayed.energy

    @property
    def bill_total(self) -> float:
        """What is due over the year."""
        return float(self.bill["amount"].sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class Case(PolicyYear):
    """A policy's year with what a report shows of it beside.

    Parameters
    ----------
    policy : {"rolling", "rules", "hindsight"}
        As of the year, as all down to its bill.
    rates : Rates
        The contract.
    schedule : Schedule
        The plan.
    replayed : Replayed
        What was done.
    readings : Readings
        What the meters show.
    bill : DataFrame
        What is due.
    planned_bill : DataFrame
        The bill of the planned flows, which the optimiser's cost must agree with.
    use : BatteryUse
        Cycles of the replayed store.
    """

    planned_bill: pd.DataFrame
    use: BatteryUse

    @property
    def planned_bill_total(self) -> float:
        """What would be due over the year if all went as planned."""
        return float(self.planned_bill["amount"].sum())

    def planned_wear(self, inputs: Inputs) -> float:
        """Return the wear in the objective of the plan, which is no part of a bill."""
        planned_kwh = float(self.schedule.discharge_kw.sum()) * inputs.series.step_h
        return inputs.scenario.ask.dispatch.wear_per_kwh * planned_kwh


class MeasuredPeak(NamedTuple):
    """The demand that one charge measures in one period.

    Parameters
    ----------
    charge : str
        Name of the charge.
    period : str
        Name of the period.
    unit : str
        Unit of the demand, kW or kVA.
    before, planned, replayed : float
        Without the battery, as planned with it, and as the true plant did.
    """

    charge: str
    period: str
    unit: str
    before: float
    planned: float
    replayed: float


def peaks_of(inputs: Inputs, before: Before, case: Case) -> list[MeasuredPeak]:
    """
    Return each measured peak of a case's contract; daily ones are left out.

    Parameters
    ----------
    inputs : Inputs
        The site.
    before : Before
        The site without the battery.
    case : Case
        A case.

    Returns
    -------
    list of MeasuredPeak
        By charge, then by period.
    """
    planned = inputs.readings(import_kw=case.schedule.import_kw, export_kw=case.schedule.export_kw)
    found = []
    for charge in case.rates.peak_charges:
        if isinstance(charge, DemandLine) and charge.is_daily:
            continue
        measure = charge.measure
        columns = [measure.peaks(readings) for readings in (before.readings, planned, case.readings)]
        for p in np.unique(measure.period_of).tolist():
            values = [float(column[p]) for column in columns]
            found.append(MeasuredPeak(charge.name, measure.periods.names[p], measure.unit, *values))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """All that a study found.

    Parameters
    ----------
    inputs : Inputs
        What it was found from.
    before : Before
        The site as it is billed today.
    best_contract : Before or None
        The site without the battery under the best contract it could have; None where there is nothing to choose. A
        battery earns only what this leaves.
    hindsight, rules : Case
        The optimum that knows the whole year, and a policy that knows only tariff and past.
    idle_cost : float
        Running cost of the plant standing still, auxiliaries included.
    capital : float
        Cost of the option.
    payback_years : float or None
        Capital over the headline's saving.
    warnings : tuple of str
        What a reader must know before using a figure.
    timings_s : dict of str to float
        Seconds by stage; not part of the result proper.
    at_most : tuple of AtMost
        What one rack or one module more would save at the most, with hindsight; empty where it is not known.
    life : Life or None
        The years of the headline policy; None where the scenario asks for the first year only.
    rolling : Case or None
        The policy that plans on forecasts; None where the scenario names another, for it takes the most time.
    unforeseen : Unforeseen or None
        What that policy did not foresee; None without it or without a battery.
    sources : tuple of SourceFile
        The files that it was found from.
    """

    inputs: Inputs
    before: Before
    best_contract: Before | None
    hindsight: Case
    rules: Case
    idle_cost: float
    capital: float
    payback_years: float | None
    warnings: tuple[str, ...]
    timings_s: dict[str, float] = field(default_factory=dict, repr=False, compare=False)
    at_most: tuple[AtMost, ...] = ()
    life: Life | None = None
    rolling: Case | None = None
    unforeseen: Unforeseen | None = None
    sources: tuple[SourceFile, ...] = ()

    @property
    def cases(self) -> tuple[Case, ...]:
        """A case for each policy that was followed, the ceiling last."""
        first = () if self.rolling is None else (self.rolling,)
        return (*first, self.rules, self.hindsight)

    @property
    def headline(self) -> Case:
        """The case of the policy that the scenario names."""
        return next(case for case in self.cases if case.policy == self.inputs.scenario.ask.policy)

    @property
    def reference(self) -> Before:
        """The site without the battery that savings are counted from: under its best contract."""
        return self.before if self.best_contract is None else self.best_contract

    @property
    def saving_by_contract(self) -> float:
        """What a better contract saves without any battery."""
        return self.before.bill_total - self.reference.bill_total

    def saving(self, case: Case) -> float:
        """Return what a case saves by the battery: against the best contract that could be had without one."""
        return self.reference.bill_total - case.bill_total

    def left_in_store(self, case: Case) -> float:
        """Return what the energy is worth that a case leaves in store beyond what it began with: to buy it again."""
        day = max(round(24 / self.inputs.series.step_h), 1)
        cheapest = float(case.rates.buy_per_kwh[-day:].min())
        return max(cheapest, 0.0) * case.energy.change_in_store_kwh

    def share_of_hindsight(self, case: Case) -> float | None:
        """Return the share of the ceiling that a case saves, with energy left in store; None where that is nothing."""
        ceiling, own = (self.saving(one) + self.left_in_store(one) for one in (self.hindsight, case))
        least = LEAST_HINDSIGHT_FRAC * abs(self.reference.bill_total)
        return own / ceiling if ceiling > least else None

    def _repr_html_(self) -> str:
        """Return what a notebook shows."""
        ask, case = self.inputs.scenario.ask, self.headline
        money = f"{{:,.0f}} {ask.money.currency}"
        rows = [("bill before", money.format(self.before.bill_total))]
        if self.inputs.plant.option.is_battery:
            rows += [("bill after", money.format(case.bill_total))]
            rows += [(f"saving by {one.policy}", money.format(self.saving(one))) for one in self.cases]
            rows += [("capital cost", money.format(self.capital))]
            years = self.payback_years
            rows += [("simple payback", "none" if years is None else f"{years:.1f} years")]
            rows += [("equivalent full cycles", f"{case.use.equivalent_full_cycles:,.0f} a year")]
        npv = None if self.life is None else self.life.appraisal.without_debt.npv
        rows += [] if npv is None else [("net present value", money.format(npv))]
        return rows_html(f"{ask.site.name}: {self.inputs.plant.option}, {case.policy}", rows)

    @property
    def line_groups(self) -> dict[str, str]:
        """The group of each line of the bills, in their order."""
        bills: tuple[Before | Case, ...] = (self.before, self.reference, *self.cases)
        groups = {line: group for one in bills for line, group in one.rates.line_groups.items()}
        return dict(sorted(groups.items(), key=lambda item: GROUPS.index(item[1])))

    def peaks(self, case: Case) -> list[MeasuredPeak]:
        """Return each measured peak before, as planned and as replayed; daily ones are left out."""
        return peaks_of(self.inputs, self.before, case)

    def savings_by_line(self) -> pd.DataFrame:
        """
        Return the year's bill by line: columns group, line, before, reference, after, saved, then one for each policy.

        `saved` is what the battery saves: reference less after. Without a choice of contract reference is before. A
        column with the name of a policy holds what that policy saves.
        """
        bills = {"before": self.before.bill, "reference": self.reference.bill, "after": self.headline.bill}
        bills |= {case.policy: case.bill for case in self.cases}
        frame = pd.concat([bill.assign(case=name) for name, bill in bills.items()], ignore_index=True)
        keys = ["group", "line"]
        sums = frame.pivot_table(index=keys, columns="case", values="amount", aggfunc="sum", sort=False).fillna(0.0)
        table = sums.reindex(columns=list(bills), fill_value=0.0)
        policies = [case.policy for case in self.cases]
        table[policies] = table[policies].rsub(table["reference"], axis=0)
        table.insert(3, "saved", table["reference"] - table["after"])
        table = table.reset_index()
        order = {line: number for number, line in enumerate(self.line_groups)}
        by = [table["group"].map(GROUPS.index), table["line"].map(order)]
        return table.iloc[np.lexsort(by[::-1])].rename_axis(columns=None).reset_index(drop=True)

    def _savings_of_policies(self) -> dict[str, dict[str, float]]:
        table = self.savings_by_line().set_index("line")
        return {
            case.policy: {str(line): float(saved) for line, saved in table[case.policy].items()} for case in self.cases
        }

    def bill_residual(self, case: Case) -> float:
        """Return the objective less the recomputed bill of the plan and the wear; zero but for rounding."""
        return case.schedule.objective - case.planned_bill_total - case.planned_wear(self.inputs)

    def backup_h(self, case: Case) -> NDArray[np.float64] | None:
        """Return how long the critical load would last from the end of each step; None without a backup reserve [h]."""
        backup, inputs = self.inputs.scenario.ask.backup, self.inputs
        if backup is None or not inputs.plant.option.is_battery:
            return None
        return survival_h(inputs.plant, case.replayed.stored_kwh, backup.critical_load_kw, inputs.auxiliary_kw)

    def cells(self, case: Case) -> UseHistograms | None:
        """Return how often cells of new racks go through what in a case's year; None without a battery."""
        inputs, nominal_kwh = self.inputs, self.inputs.plant.nominal_kwh
        if nominal_kwh == 0:
            return None
        series, thermal = inputs.series, inputs.scenario.catalogue.rack.thermal
        use, _ = cell_use(
            CycleCount(),
            case.replayed.stored_kwh,
            start_kwh=case.schedule.start_kwh,
            step_h=series.step_h,
            out_of_store_kwh=case.energy.out_of_store_kwh,
            nominal_kwh=nominal_kwh,
            capacity_kwh=nominal_kwh,
            cell_c=cell_temperature_c(series.temperature_c, thermal, n_steps=series.n_steps),
        )
        return use_histograms(use)

    def chord_error_kwh(self, case: Case) -> float:
        """Return the losses that the plan sees beyond the true curves in the year; negative where it is optimistic."""
        plan, plant, h = case.schedule, self.inputs.plant, self.inputs.series.step_h
        charging, discharging = Curve.charging(plant.charge_segments), Curve.discharging(plant.discharge_segments)
        on_charge = plant.into_store_kw(plan.charge_kw) - charging.at_store(plan.charge_kw)
        on_discharge = discharging.at_store(plan.discharge_kw) - plant.out_of_store_kw(plan.discharge_kw)
        return h * float(on_charge.sum() + on_discharge.sum())

    def planned_saving(self, case: Case) -> float:
        """Return what a case would save if all went as planned."""
        return self.reference.bill_total - case.planned_bill_total

    def schedule_frame(self) -> pd.DataFrame:
        """Return the headline's year as replayed: `SCHEDULE_COLUMNS`, indexed by the zone-aware start of each step."""
        series, done = self.inputs.series, self.headline.replayed
        temperature = np.full(series.n_steps, np.nan) if series.temperature_c is None else series.temperature_c
        columns = {
            "load_kw": series.load_kw,
            "pv_kw": series.pv_kw,
            "curtailed_kw": done.curtailed_kw,
            "charge_kw": done.charge_kw,
            "discharge_kw": done.discharge_kw,
            "stored_kwh": done.stored_kwh,
            "import_kw": done.import_kw,
            "export_kw": done.export_kw,
            "import_before_kw": self.before.import_kw,
            "export_before_kw": self.before.export_kw,
            "buy_per_kwh": self.headline.rates.buy_per_kwh,
            "sell_per_kwh": self.headline.rates.sell_per_kwh,
            "temperature_c": temperature,
        }
        return pd.DataFrame(columns, index=series.start.rename("start"), columns=list(SCHEDULE_COLUMNS))

    def bill_frame(self) -> pd.DataFrame:
        """Return the bills before, under the best contract if there is a choice, and after, with a column `case`."""
        parts = [self.before.bill.assign(case="before"), self.headline.bill.assign(case="after")]
        if self.best_contract is not None:
            parts.insert(1, self.best_contract.bill.assign(case="best contract"))
        return pd.concat(parts, ignore_index=True)

    def summary(self) -> dict[str, Any]:
        """Return the figures of the study, ready for JSON; equal inputs give equal figures."""
        import crestfall

        case, inputs = self.headline, self.inputs
        ask, energy = inputs.scenario.ask, case.energy
        return {
            "schema": SUMMARY_SCHEMA,
            "crestfall": crestfall.__version__,
            "scenario_hash": inputs.scenario.fingerprint(),
            "site": ask.site.name,
            "currency": ask.money.currency,
            "first_step": inputs.series.start[0].isoformat(),
            "last_step": inputs.series.start[-1].isoformat(),
            "steps": inputs.series.n_steps,
            "step_h": inputs.series.step_h,
            "policy": case.policy,
            "option": {"racks": ask.option.racks, "modules": ask.option.modules},
            "rating_kva": inputs.plant.rating_kva,
            "nominal_kwh": inputs.plant.nominal_kwh,
            "usable_kwh": inputs.plant.usable_kwh,
            "tariff": self.before.rates.title,
            "tariff_after": case.rates.title,
            "bill_before": self.before.bill_total,
            "bill_best_contract": self.reference.bill_total,
            "saving_by_contract": self.saving_by_contract,
            "saving_by_group": self.savings_by_line().groupby("group", sort=False)["saved"].sum().to_dict(),
            "bill_after": case.bill_total,
            "saving": self.saving(case),
            "saving_planned": self.planned_saving(case),
            "saving_hindsight": self.saving(self.hindsight),
            "saving_rules": self.saving(self.rules),
            "saving_rolling": None if self.rolling is None else self.saving(self.rolling),
            "saving_by_line": self._savings_of_policies(),
            "share_of_hindsight": {case.policy: self.share_of_hindsight(case) for case in self.cases},
            "left_in_store": {case.policy: self.left_in_store(case) for case in self.cases},
            "unforeseen": None if self.unforeseen is None else self.unforeseen.summary(),
            "capital_cost": self.capital,
            "simple_payback_years": self.payback_years,
            "objective": case.schedule.objective,
            "lower_bound": self.hindsight.schedule.lower_bound,
            "gap_frac": case.schedule.gap_frac(self.idle_cost),
            "status": str(case.schedule.status),
            "repaired_steps": self.hindsight.schedule.repaired_steps,
            "solver": self.hindsight.schedule.note,
            "saving_at_most_by_one_more": {more.part: more.saving for more in self.at_most},
            "idle_cost": self.idle_cost,
            "charged_kwh": energy.charged_kwh,
            "discharged_kwh": energy.discharged_kwh,
            "auxiliary_kwh": energy.auxiliary_kwh,
            "module_loss_kwh": energy.module_loss_kwh,
            "rack_loss_kwh": energy.rack_loss_kwh,
            "standing_loss_kwh": energy.standing_loss_kwh,
            "transformer_loss_kwh": energy.transformer_loss_kwh,
            "round_trip_frac": energy.round_trip_frac,
            "round_trip_with_auxiliaries_frac": energy.round_trip_with_auxiliaries_frac,
            "equivalent_full_cycles": case.use.equivalent_full_cycles,
            "cells": None if (cells := self.cells(case)) is None else cells.summary(),
            "balance_residual_kwh": energy.residual_kwh,
            "store_drift_kwh": energy.drift_kwh,
            "clipped_kwh": energy.clipped_kwh,
            "chord_error_kwh": self.chord_error_kwh(case),
            "backup_least_h": None if (backup_h := self.backup_h(case)) is None else float(backup_h.min()),
            "bill_residual": self.bill_residual(case),
            "peak_import_before_kw": float(self.before.import_kw.max()),
            "peak_import_after_kw": float(case.readings.import_kw.max()),
            "not_metered": list(inputs.series.not_metered),
            "warnings": list(self.warnings),
        } | self._optional_summary()

    def emissions(self, case: Case) -> tuple[Emissions, ...]:
        """Return the emissions of a case by each factor that the scenario gives, the average first."""
        return emissions_of(self.inputs, self.before.readings, case.readings, case.replayed)

    def _optional_summary(self) -> dict[str, Any]:
        """Return the parts of a summary that only some scenarios ask for."""
        parts: dict[str, Any] = {}
        if self.inputs.scenario.ask.emissions is not None:
            parts["emissions"] = {one.factor: one.summary() for one in self.emissions(self.headline)}
        return parts if self.life is None else parts | {"life": self.life.summary()}
