"""The demo of fifteen years, each of them scheduled, replayed and billed anew."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import pyxirr

from crestfall.scenario import load_scenario
from crestfall.study import prepare
from crestfall.study._life import AGREES_FRAC, life_of

SCENARIO = Path(__file__).parents[2] / "scenarios" / "cold_store_life.yaml"


@pytest.mark.slow
def test_fifteen_years_of_the_cold_store_hang_together():
    scenario = load_scenario(SCENARIO)
    # With hindsight, which is quick: what hangs together does so by any policy.
    ask = scenario.ask.model_copy(update={"policy": "hindsight"})
    found = life_of(prepare(replace(scenario, ask=ask)))
    years, cash = found.years, found.appraisal.frame["cash"].to_numpy()
    assert len(years) == 15
    health = [year.health_end_frac for year in years]
    assert health == sorted(health, reverse=True)
    # Both published laws slow down: with the root of time, and with that of full cycles.
    assert np.diff(health, n=2).min() > 0
    for year in years:
        mean = 0.5 * (year.health_start_frac + year.health_end_frac)
        assert year.health_mean_frac == pytest.approx(mean, abs=AGREES_FRAC)
        assert sum(year.line_savings.values()) == pytest.approx(year.bill_without - year.bill_with, abs=1e-6)
    # The same cash by another library.
    worth = found.appraisal.without_debt
    assert worth.npv == pytest.approx(pyxirr.npv(0.07, cash), rel=1e-9)
    assert worth.irr_frac == (pytest.approx(pyxirr.irr(cash), abs=1e-9),)
    # Its contract allows 250 MWh a rack; the demo takes more within the ten years.
    (racks,) = found.warranties
    broken = {breach.term: breach.year for breach in racks.check.breaches}
    taken = racks.check.frame["throughput_total_mwh"]
    assert broken["throughput_total_margin_mwh"] == int((taken > 4 * 250).to_numpy().argmax()) + 1
