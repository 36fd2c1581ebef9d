"""What a comparison found: the ranked table, the choice with its reason, and how sure it is."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.plant import Option
from crestfall.study._doubt import Terms
from crestfall.study._inputs import Inputs
from crestfall.study._option_figures import FIGURE_COLUMNS, OptionFigures, figures_row, single_rate
from crestfall.study._options_asked import not_compared
from crestfall.study._ranking import NEEDS_TARGET, Worth
from crestfall.study._reason import reasons
from crestfall.study._result import Result
from crestfall.study._shown import frame_html
from crestfall.study._steps import MARGINAL_COLUMNS, Step, steps_between

COMPARE_SCHEMA = "crestfall-compare/1"
TABLE_COLUMNS = ("racks", "modules", *FIGURE_COLUMNS, "at_most_rack", "at_most_module", "score", "best_share_frac")
DOUBT_COLUMNS = (
    *("racks", "modules", "best_share_frac", "mean_regret", "regret_p90", "worst_regret"),
    "highest_import_kw",
)


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """All options at one site, ranked.

    Parameters
    ----------
    inputs : Inputs
        The site without a battery.
    options : tuple of OptionFigures
        Options that can be had, no battery first.
    refused : tuple of (Option, str)
        The others, with the reason.
    terms : Terms
        Criterion, money, and what is done about fade.
    note : str
        What has to be said about the criterion; empty for nothing.
    loads : tuple of str
        Years of load, the first being that of the data.
    draws : DataFrame or None
        What was drawn; None where doubt was left out.
    scores : ndarray of shape (n_draws, n_options) or None
        How good each option is in each draw.
    seed : int
        Start of the random numbers.
    pair : tuple of Result or None
        Two options side by side.
    """

    inputs: Inputs
    options: tuple[OptionFigures, ...]
    refused: tuple[tuple[Option, str], ...]
    terms: Terms
    note: str
    loads: tuple[str, ...]
    draws: pd.DataFrame | None
    scores: NDArray[np.float64] | None
    seed: int
    pair: tuple[Result, Result] | None = None

    def figures(self, option: Option) -> OptionFigures | None:
        """Return what is known of an option; None where it cannot be had or was not asked for."""
        return next((one for one in self.options if one.option == option), None)

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row for each option that can be had, the best first: `TABLE_COLUMNS`, indexed by rank from 1."""
        rows = [self._row(at, one) for at, one in enumerate(self.options)]
        frame = pd.DataFrame(rows, columns=list(TABLE_COLUMNS))
        # Where the criterion sees no difference, the cheaper one; then no battery, which costs nothing.
        order = np.lexsort([frame["modules"], frame["racks"], frame["capital"], -frame["score"]])
        return frame.iloc[order].set_index(pd.RangeIndex(1, len(frame) + 1, name="rank"))

    def _repr_html_(self) -> str:
        """Return what a notebook shows: why the first is best, and all options."""
        shown = ["racks", "modules", "capital", "saving", "payback_years", "npv", "full_cycles", "best_share_frac"]
        frame = self.table[[name for name in shown if name in self.table]]
        return frame_html(self.reason, frame.dropna(axis="columns", how="all"))

    @property
    def recommendation(self) -> Option:
        """The first of the table."""
        first = self.table.iloc[0]
        return Option(int(first["racks"]), int(first["modules"]))

    @property
    def best(self) -> OptionFigures:
        """What is known of the recommendation."""
        figures = self.figures(self.recommendation)
        assert figures is not None  # noqa: S101 -- tells the type checker; the table is made of them
        return figures

    @property
    def runner_up(self) -> OptionFigures | None:
        """What is known of the second of the table; None where there is no other option."""
        if len(self.table) < 2:
            return None
        second = self.table.iloc[1]
        return self.figures(Option(int(second["racks"]), int(second["modules"])))

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """Each step from an option to the next larger one with more racks, or with more modules."""
        return steps_between(self.options, self.terms.money)

    @property
    def marginals(self) -> pd.DataFrame:
        """What the next rack and the next module bring: at most by the optimum's own prices, and truly."""
        return pd.DataFrame([step.row() for step in self.steps], columns=list(MARGINAL_COLUMNS))

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why the recommendation is one: what it is ahead in, then what each step from it and to it brings."""
        scenario = self.inputs.scenario
        known = {option for option, _ in self.refused} | {one.option for one in self.options}
        return reasons(
            self.best,
            self.runner_up,
            self.steps,
            self.terms,
            scenario.ask.money.currency,
            not_compared=not_compared(scenario.catalogue, known, self.recommendation),
        )

    @property
    def reason(self) -> str:
        """The same in one sentence."""
        return "; ".join(self.reasons)

    @property
    def frontier(self) -> pd.DataFrame:
        """The options that save more than every cheaper one, the cheapest first; `TABLE_COLUMNS`."""
        frame = self.table.sort_values(["capital", "saving"], ascending=[True, False])
        before = frame["saving"].cummax().shift(fill_value=-np.inf)
        return frame[frame["saving"] > before]

    @cached_property
    def doubt(self) -> pd.DataFrame | None:
        """How often each option is best, and what is given away by choosing it: `DOUBT_COLUMNS`; None without draws."""
        best = self._is_best
        if self.scores is None or best is None:
            return None
        regret = regrets(self.scores)
        rows = [
            (
                one.option.racks,
                one.option.modules,
                float(best[:, at].mean()),
                float(regret[:, at].mean()),
                float(np.quantile(regret[:, at], 0.9, method="inverted_cdf")),
                float(regret[:, at].max()),
                one.highest_import_kw,
            )
            for at, one in enumerate(self.options)
        ]
        frame = pd.DataFrame(rows, columns=list(DOUBT_COLUMNS))
        return frame.sort_values(["best_share_frac", "mean_regret"], ascending=[False, True], ignore_index=True)

    @property
    def regret_when_not_best(self) -> float | None:
        """Mean of what the recommendation gives away in the draws in which it is not best; None if it always is."""
        best = self._is_best
        if self.scores is None or best is None:
            return None
        at = self.options.index(self.best)
        lost = best.any(axis=1) & ~best[:, at]
        return float(regrets(self.scores)[lost, at].mean()) if lost.any() else None

    @property
    def missed_frac(self) -> float | None:
        """Share of the draws in which the recommendation misses the target; None without a target or draws."""
        if self.scores is None or not self._has_target:
            return None
        return float(np.isneginf(self.scores[:, self.options.index(self.best)]).mean())

    @property
    def no_candidate_frac(self) -> float | None:
        """Share of the draws in which no option reaches the target; None without a target or draws."""
        if self.scores is None or not self._has_target:
            return None
        return float(np.isneginf(self.scores).all(axis=1).mean())

    @property
    def _has_target(self) -> bool:
        return self.terms.criterion.name in NEEDS_TARGET

    @cached_property
    def _is_best(self) -> NDArray[np.bool_] | None:
        """Which option is best in each draw: the first of those that are equally good; none where none reaches it.

        Where nothing pays back the best is no battery; a target that no option reaches, no battery misses as well.
        """
        if self.scores is None:
            return None
        best = self.scores.argmax(axis=1)[:, None] == np.arange(self.scores.shape[1])
        if self._has_target:
            best &= np.isfinite(self.scores).any(axis=1, keepdims=True)
        return np.asarray(best)

    def ends(self) -> tuple[Option, Option] | None:
        """Return the best options with the fewest and with the most racks; None where there are no two."""
        frame = self.table[self.table["racks"] > 0]
        few, many = (frame[frame["racks"] == count] for count in (frame["racks"].min(), frame["racks"].max()))
        if len(frame) < 2:
            return None
        if few is many or few.index[0] == many.index[0]:
            few, many = frame.iloc[[0]], frame.iloc[[-1]]
        first, second = (Option(int(one["racks"].iloc[0]), int(one["modules"].iloc[0])) for one in (few, many))
        return first, second

    def refused_frame(self) -> pd.DataFrame:
        """Return the options that cannot be had: racks, modules, reason."""
        rows = [(option.racks, option.modules, why) for option, why in self.refused]
        return pd.DataFrame(rows, columns=["racks", "modules", "reason"])

    def years_frame(self) -> pd.DataFrame:
        """Return every year of every option's life: racks_of_option, modules, year, and the columns of a life."""
        parts = [
            one.life.years_frame().reset_index().assign(racks_of_option=one.option.racks, modules=one.option.modules)
            for one in self.options
            if one.life is not None
        ]
        if not parts:
            return pd.DataFrame()
        frame = pd.concat(parts, ignore_index=True)
        first = ["racks_of_option", "modules", "year"]
        return frame[[*first, *(name for name in frame.columns if name not in first)]]

    def summary(self) -> dict[str, Any]:
        """Return the figures of the comparison, ready for JSON; equal inputs give equal figures."""
        import crestfall

        ask, doubt = self.inputs.scenario.ask, self.doubt
        return {
            "schema": COMPARE_SCHEMA,
            "crestfall": crestfall.__version__,
            "scenario_hash": self.inputs.scenario.fingerprint(),
            "site": ask.site.name,
            "currency": ask.money.currency,
            "policy": ask.policy,
            "horizon_years": None if ask.life is None else ask.life.horizon_years,
            "criterion": self.terms.criterion.name,
            "target": self.terms.criterion.target,
            "note": self.note,
            "recommendation": {"racks": self.recommendation.racks, "modules": self.recommendation.modules},
            "reason": self.reason,
            "options": records(self.table.reset_index()),
            "refused": records(self.refused_frame()),
            "steps": records(self.marginals),
            "frontier": records(self.frontier[["racks", "modules", "capital", "saving"]]),
            "doubt": None
            if doubt is None
            else {
                "draws": None if self.draws is None else len(self.draws),
                "seed": self.seed,
                "loads": list(self.loads),
                "best_share_frac": float(self.table["best_share_frac"].iloc[0]),
                "regret_when_not_best": known(self.regret_when_not_best),
                "missed_frac": self.missed_frac,
                "no_candidate_frac": self.no_candidate_frac,
                "options": records(doubt),
            },
        }

    def _row(self, at: int, one: OptionFigures) -> dict[str, Any]:
        more = {step.part: step.saving for step in one.at_most}
        best = None if self._is_best is None else float(self._is_best[:, at].mean())
        return {
            "racks": one.option.racks,
            "modules": one.option.modules,
            **figures_row(one),
            "at_most_rack": more.get("rack", np.nan),
            "at_most_module": more.get("module", np.nan),
            "score": self.terms.criterion.score(worth_as_computed(one)),
            "best_share_frac": np.nan if best is None else best,
        }


def worth_as_computed(one: OptionFigures) -> Worth:
    """Return what a criterion looks at, from an option's own figures."""
    returns = None if one.life is None else one.life.appraisal.without_debt
    return Worth(
        is_battery=one.option.is_battery,
        capital=0.0 if one.capital is None else one.capital.net,
        saving=one.saving,
        npv=one.npv,
        irr_frac=np.nan if returns is None else single_rate(returns.irr_frac),
        payback_years=math.inf if one.payback_years is None else one.payback_years,
        peak_import_kw=one.peak_import_kw,
    )


def regrets(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what each option gives away in each draw against the best one; infinite where it is no candidate."""
    best = scores.max(axis=1, keepdims=True)
    is_best = scores == best  # where there is no candidate, none is ahead
    return np.where(is_best, 0.0, best - np.where(is_best, 0.0, scores))


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows for JSON."""
    return [{str(name): known(value) for name, value in row.items()} for row in frame.to_dict("records")]


def known(value: Any) -> Any:
    """Return a value for JSON, which knows neither NaN nor infinity nor numbers of numpy."""
    plain = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(plain, float) and not math.isfinite(plain) else plain
