"""Hours by state of charge, rate and temperature as they are drawn and written."""

import numpy as np
import pytest

from crestfall.report import draw_cells
from crestfall.scenario import load_scenario
from crestfall.study import run
from hourly_site import NO_BATTERY, WITH_PV, shared_study, year_csv
from site_files import in_catalogue, in_scenario, write_site


def test_bars_are_the_hours_of_the_year():
    result = shared_study()
    found = result.cells(result.headline)
    soc, rate, cell = draw_cells(result).axes
    for ax, hours in ((soc, found.soc_h), (rate, found.c_rate_h), (cell, found.cell_h)):
        assert [bar.get_height() for bar in ax.patches] == hours.weights.tolist()
    assert sum(bar.get_height() for bar in soc.patches) == pytest.approx(8760)
    assert sum(bar.get_height() for bar in cell.patches) == pytest.approx(8760)
    assert soc.get_title() == f"{found.high_soc_h:,.0f} h at 90 % or more"
    assert soc.get_ylabel() == "hours of the year"


def test_summary_holds_the_distributions():
    result = shared_study()
    cells = result.summary()["cells"]
    stored = result.headline.replayed.stored_kwh
    levels = np.concatenate([[result.headline.schedule.start_kwh], stored]) / result.inputs.plant.nominal_kwh
    assert cells["high_soc_h"] == float((0.5 * (levels[1:] + levels[:-1]) >= 0.9).sum())
    assert sum(cells["depth_cycles"]["weights"]) == pytest.approx(result.headline.use.counts.sum())


def test_a_battery_that_never_moves_is_drawn_all_the_same(tmp_path):
    dear = in_scenario("money:", "dispatch: {wear_per_kwh: 100}\nmoney:")
    tight = in_catalogue("  self_discharge_frac_per_month: 0.02\n", "  self_discharge_frac_per_month: 0.0\n")
    result = run(load_scenario(write_site(tmp_path, WITH_PV, dear, tight, load=year_csv())))
    _, rate, _ = draw_cells(result).axes
    assert sum(bar.get_height() for bar in rate.patches) == 0


def test_without_a_battery_there_are_no_cells(tmp_path):
    result = run(load_scenario(write_site(tmp_path, WITH_PV, NO_BATTERY, load=year_csv())))
    assert result.summary()["cells"] is None
    with pytest.raises(ValueError, match="no cells without a battery"):
        draw_cells(result)
