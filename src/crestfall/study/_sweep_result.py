"""What a sweep found, and what is read off its table."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from crestfall.scenario import path_of
from crestfall.study._comparison import known, records
from crestfall.study._shown import frame_html
from crestfall.study._sweep_case import Row
from crestfall.study._sweep_plan import SweepPlan

MOST_SHOWN = 20  # rows in a notebook
SWEEP_SCHEMA = "crestfall-sweep-summary/1"
SWING_COLUMNS = ("axis", "low", "high", "at_low", "at_high", "swing", "kind")
CHOICE_COLUMNS = ("option", "best_share_frac", "mean", "mean_regret", "worst_regret")


@dataclass(frozen=True, kw_only=True)
class SweepResult:
    """All cases of a sweep.

    Parameters
    ----------
    plan : SweepPlan
        The cases as they were asked for.
    table : DataFrame
        A row for each case: axes, `draw` where something is drawn, `case`, figures, `status`, `reason`.
    base : dict
        Figures of the base.
    notes : tuple of str
        What has to be said about the folder.
    """

    plan: SweepPlan
    table: pd.DataFrame
    base: Row
    notes: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the first cases with what was changed and what came of it."""
        axes = [axis.title for axis in self.plan.axes]
        frame = self.table[[name for name in [*axes, "status", self.metric] if name in self.table]]
        title = f"{len(self.table):,} cases, {len(self.done):,} with figures"
        title += f"; the first {MOST_SHOWN}" if len(self.table) > MOST_SHOWN else ""
        return frame_html(title, frame.head(MOST_SHOWN))

    @property
    def done(self) -> pd.DataFrame:
        """The cases that have figures."""
        return self.table[self.table["status"] == "done"]

    @property
    def metric(self) -> str:
        """The figure that pictures show: net present value, or the first year's saving where there is none."""
        return "npv" if self.done["npv"].notna().any() and self.plan.base.ask.life is not None else "saving"

    @property
    def policies(self) -> list[str]:
        """The policies that cases follow: that of the base, or those of an axis."""
        return self.plan.policies

    @property
    def listed(self) -> list[str]:
        """Axes whose values are listed."""
        return [axis.title for axis in self.plan.axes if not axis.is_drawn]

    @property
    def drawn(self) -> list[str]:
        """Axes that are drawn and have an order."""
        return [axis.title for axis in self.plan.axes if axis.distribution is not None]

    @property
    def numeric(self) -> list[str]:
        """Listed axes of numbers with more than one value."""
        frame = self.plan.frame
        return [
            name for name in self.listed if pd.api.types.is_numeric_dtype(frame[name]) and len(set(frame[name])) > 1
        ]

    @cached_property
    def levels(self) -> dict[str, Any]:
        """Where each listed axis stands while another one moves: at the base's value or, if not listed, the middle."""
        found = {}
        for axis, base in zip(self.plan.axes, self.plan.base_values, strict=True):
            if not axis.is_drawn:
                values = list(dict.fromkeys(self.plan.frame[axis.title]))
                found[axis.title] = base if base in values or self.plan.moving else values[len(values) // 2]
        return found

    def around(self, *moving: str) -> pd.DataFrame:
        """Return the cases in which only these axes move, means over the draws, by their values; with the base."""
        frame = self.done
        if self.plan.moving:
            is_moving = pd.Series(self.plan.moving, index=self.table.index).isin(moving)
            frame = frame[is_moving[frame.index]]
        else:
            for name, level in self.levels.items():
                if name not in moving:
                    frame = frame[frame[name] == level]
        found = frame.groupby(list(moving), sort=False)[self.metric].mean().reset_index()
        return found if len(moving) > 1 else self._with_base(found, moving[0])

    def _with_base(self, found: pd.DataFrame, name: str) -> pd.DataFrame:
        """Return the cases in which one axis alone moves, with the base if it is not among them."""
        base, level = float(self.base[self.metric]), self.levels.get(name)
        if not self.plan.moving or self.plan.seed is not None or level is None or level in list(found[name]):
            return found
        return pd.concat([pd.DataFrame({name: [level], self.metric: [base]}), found], ignore_index=True)

    @cached_property
    def swings(self) -> pd.DataFrame:
        """How far the metric moves with each axis alone: `SWING_COLUMNS`, the widest first."""
        rows = [*self._listed_swings(), *self._drawn_swings()]
        frame = pd.DataFrame(rows, columns=list(SWING_COLUMNS))
        return frame.sort_values("swing", ascending=False, ignore_index=True)

    def _listed_swings(self) -> list[tuple[Any, ...]]:
        rows = []
        for name in self.listed:
            found = self.around(name).dropna()
            if len(found) < 2:
                continue
            found = found.sort_values(name if name in self.numeric else self.metric)
            first, last = found.iloc[0], found.iloc[-1]
            values = (float(first[self.metric]), float(last[self.metric]))
            rows.append((name, first[name], last[name], *values, float(np.ptp(found[self.metric])), "listed"))
        return rows

    def _drawn_swings(self) -> list[tuple[Any, ...]]:
        """Return what each drawn axis does from its P10 to its P90, along a plane fitted through all draws.

        Axes are drawn together, so means of a few draws at either end would carry the chance of the others.
        """
        frame = self.at_levels().dropna(subset=[self.metric])
        if not self.drawn or len(frame) < len(self.drawn) + 2:
            return []
        values = frame[self.drawn].to_numpy(dtype=float)
        scale = np.ptp(values, axis=0)
        centered = (values - values.mean(axis=0)) / np.where(scale > 0, scale, 1.0)
        columns = np.column_stack([np.ones(len(frame)), centered])
        fitted, *_ = np.linalg.lstsq(columns, frame[self.metric].to_numpy(dtype=float), rcond=None)
        rows = []
        for at, name in enumerate(self.drawn):
            ends = np.quantile(values[:, at], [0.1, 0.9])
            worth = fitted[0] + fitted[at + 1] * np.quantile(centered[:, at], [0.1, 0.9])
            rows.append((name, *ends.tolist(), *worth.tolist(), float(abs(worth[1] - worth[0])), "drawn"))
        return rows

    def at_levels(self) -> pd.DataFrame:
        """Return the cases in which every listed axis stands at its level: all draws of one combination."""
        frame = self.done
        for name, level in self.levels.items():
            here = frame[frame[name].isna() if level is None else frame[name] == level]
            frame = here if len(here) else frame
        return frame

    def break_even(self, name: str) -> list[float]:
        """
        Return where the metric crosses zero as one axis of numbers moves, on straight lines between its values.

        Parameters
        ----------
        name : str
            The axis.

        Returns
        -------
        list of float
            Values of the axis.
        """
        found = self.around(name).dropna().sort_values(name)
        x, y = found[name].to_numpy(dtype=float), found[self.metric].to_numpy()
        at = np.flatnonzero(np.sign(y[:-1]) * np.sign(y[1:]) < 0)
        crossings = x[at] - y[at] * (x[at + 1] - x[at]) / (y[at + 1] - y[at])
        return sorted([*crossings.tolist(), *x[y == 0].tolist()])

    @property
    def option_axes(self) -> list[str]:
        """Axes that move racks or modules."""
        return [
            axis.title
            for axis in self.plan.axes
            if axis.keys and all(path_of(one.key or "")[0] == "option" for one in axis.keys)
        ]

    @cached_property
    def choices(self) -> pd.DataFrame | None:
        """How often each option is the best of all else equal, and its regret; None where no option moves."""
        names = self.option_axes
        others = [name for name in [*self.listed, *self.drawn] if name not in names]
        others += [name for name in ("draw",) if name in self.table]
        if not names or self.plan.sweep.combine == "one_at_a_time":
            return None
        frame = self.done.assign(option=self.done[names].astype(str).agg(" × ".join, axis=1))
        worlds = frame.groupby(others, sort=False).ngroup() if others else pd.Series(0, index=frame.index)
        table = frame.assign(world=worlds).pivot_table(index="world", columns="option", values=self.metric, sort=False)
        if table.empty:
            return None
        best = np.maximum(table.max(axis=1), 0.0)  # no battery is always to be had: it saves nothing and costs nothing
        regret = table.rsub(best, axis=0)
        winner = table.idxmax(axis=1).where(table.max(axis=1) >= 0, "no battery")
        share = winner.value_counts(normalize=True)
        rows = [
            (name, float(share.get(name, 0.0)), float(table[name].mean()), float(regret[name].mean()),
             float(regret[name].max())) for name in table.columns
        ]  # fmt: skip
        if "no battery" in share and "no battery" not in table:
            rows.append(("no battery", float(share["no battery"]), 0.0, float(best.mean()), float(best.max())))
        found = pd.DataFrame(rows, columns=list(CHOICE_COLUMNS))
        return found.sort_values(["best_share_frac", "mean_regret"], ascending=[False, True], ignore_index=True)

    @property
    def spread(self) -> dict[str, float]:
        """P10, P50 and P90 of the metric over all draws at the levels, or over all cases, and the share below 0."""
        values = self.spread_values()
        if not len(values):
            return {}
        lower, middle, upper = np.quantile(values, [0.1, 0.5, 0.9])
        return {"p10": float(lower), "p50": float(middle), "p90": float(upper), "below_0": float((values < 0).mean())}

    def spread_values(self) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
        """Return the values behind `spread`."""
        frame = self.at_levels() if self.plan.sweep.draws is not None else self.done
        return frame[self.metric].dropna().to_numpy(dtype=float)

    def summary(self) -> dict[str, Any]:
        """Return what is read off the table, ready for JSON."""
        import crestfall

        counts = self.table["status"].value_counts()
        reasons = self.table.loc[self.table["status"] != "done", "reason"].value_counts()
        return {
            "schema": SWEEP_SCHEMA,
            "crestfall": crestfall.__version__,
            "scenario_hash": self.plan.base.fingerprint(),
            "site": self.plan.base.ask.site.name,
            "currency": self.plan.base.ask.money.currency,
            "policies": self.policies,
            "question": self.plan.sweep.question,
            "seed": self.plan.seed,
            "cases": len(self.table),
            "status": {str(name): int(count) for name, count in counts.items()},
            "reasons": {str(reason): int(count) for reason, count in reasons.items()},
            "metric": self.metric,
            "base": known(self.base.get(self.metric)),
            "levels": {name: known(level) for name, level in self.levels.items()},
            "swings": records(self.swings),
            "break_even": {name: self.break_even(name) for name in self.numeric},
            "spread": self.spread,
            "choices": None if self.choices is None else records(self.choices),
        }
