"""A sweep in words, figures and files: what is shown is read off its table."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from brackets import Brackets, said_past, texts_of
from browsers import bottom_of, needs_browser, opened, overflow_at, serious_faults
from crestfall import cli
from crestfall.report import (
    _words,
    draw_choices,
    draw_lines,
    draw_map,
    draw_spread,
    draw_sweep,
    draw_swings,
    fill_sweep,
    sweep_text,
)
from crestfall.report._axis_form import form_of
from crestfall.report._style import fit_to_reader
from crestfall.report._sweep import sweep_html
from crestfall.report._sweep_first import reply, tiles
from crestfall.report._words import speaking
from crestfall.study import RESULT_COLUMNS, SweepResult, load_plan
from drawn_texts import drawn_texts, faults_of_texts
from site_files import in_scenario
from sweeps import HEAD, write_sweep

WITH_BATTERY = in_scenario("  racks: 2\n", "  racks: 2\n")
AXES = (
    "  - {key: option.racks, values: [1, 2, 3], name: racks}\n"
    "  - {key: money.discount.rate_frac, values: [0.02, 0.06, 0.1], name: rate}\n"
    "  - {key: money.installation_cost, uniform: {low: 0, high: 1000}, name: cost}\n"
)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A sweep whose worth is a formula, so that all that is read off it can be worked by hand.

    NPV = 1000 racks − 150 racks² − 10000 (rate − 0.06) − (cost − 500), in every draw alike.
    """
    text = f"{HEAD}{AXES}draws: {{count: 20, seed: 2}}\n"
    plan = load_plan(write_sweep(tmp_path_factory.mktemp("joinery"), text, WITH_BATTERY))
    table = plan.frame.assign(case=[case.key for case in plan.cases])
    table = table.assign(**dict.fromkeys(RESULT_COLUMNS, np.nan)).assign(status="done", reason="")
    racks, rate, cost = table["racks"], table["rate"], table["cost"]
    table["npv"] = 1000 * racks - 150 * racks**2 - 10_000 * (rate - 0.06) - (cost - 500)
    table["saving"] = 100.0 * racks
    return SweepResult(plan=plan, table=table, base={"npv": 1400.0, "saving": 200.0, "status": "done", "reason": ""})


def test_swings_are_those_of_each_axis_alone(result):
    """Others stand at 2 racks and 6 %: racks swing from 850 to 1650, the rate by 800; drawn cost from P10 to P90."""
    swings = result.swings.set_index("axis")
    assert result.levels == {"racks": 2, "rate": 0.06}
    assert swings.loc["rate", ["low", "high"]].tolist() == [0.02, 0.1]
    assert swings.loc["rate", ["at_low", "at_high"]].tolist() == pytest.approx([1800, 1000], abs=5)
    assert swings.loc["racks", ["at_low", "at_high"]].tolist() == pytest.approx([850, 1650], abs=5)
    lower, upper = np.quantile(result.plan.frame["cost"].unique(), [0.1, 0.9])
    assert swings.loc["cost", ["low", "high", "swing"]].tolist() == pytest.approx([lower, upper, upper - lower])
    assert swings.loc["cost", "at_low"] > swings.loc["cost", "at_high"]
    assert result.swings["swing"].is_monotonic_decreasing


def test_break_even_lies_on_the_line_between_two_values(result):
    assert result.break_even("rate") == []
    shifted = SweepResult(plan=result.plan, table=result.table.assign(npv=result.table["npv"] - 1200), base=result.base)
    middle = result.around("rate").set_index("rate")["npv"]
    wanted = 0.06 + (middle[0.06] - 1200) / 10_000
    assert shifted.break_even("rate") == pytest.approx([wanted])


def test_the_spread_counts_the_draws_of_the_base(result):
    worth = 1400 - (np.sort(result.plan.frame["cost"].unique()) - 500)
    assert result.spread["p50"] == pytest.approx(np.median(worth))
    assert result.spread["below_0"] == 0.0
    assert len(result.spread_values()) == 20


def test_each_option_is_held_against_the_best_of_the_same_case(result):
    """Three racks are best everywhere: two give away 250, one 800."""
    choices = result.choices.set_index("option")
    assert choices["best_share_frac"].to_dict() == {"3": 1.0, "2": 0.0, "1": 0.0}
    assert choices["mean_regret"].to_dict() == pytest.approx({"3": 0.0, "2": 250.0, "1": 800.0})


def test_no_battery_is_best_where_all_others_lose(result):
    lost = SweepResult(plan=result.plan, table=result.table.assign(npv=result.table["npv"] - 5000), base=result.base)
    assert lost.choices.iloc[0]["option"] == "no battery"
    assert lost.choices.iloc[0]["best_share_frac"] == 1.0
    # The same by the saving of the first year, which no battery has none of.
    dearer = result.table.assign(npv=np.nan, saving=result.table["npv"] - 5000)
    assert SweepResult(plan=result.plan, table=dearer, base=result.base).choices.iloc[0]["option"] == "no battery"


def test_figures_show_what_was_read_off(result):
    bars = draw_swings(result).patches
    assert len(bars) == 6
    line = draw_lines(result).axes[0].lines[0]
    assert line.get_ydata() == pytest.approx(result.around("racks")["npv"].to_numpy())
    shown = [float(text.get_text().replace(",", "")) for text in draw_map(result).texts]
    assert sorted(shown) == pytest.approx(sorted(result.around("racks", "rate")["npv"].round()))
    assert sum(bar.get_height() for bar in draw_spread(result).patches) == 20
    assert [bar.get_width() for bar in draw_choices(result).patches] == [100.0]


def test_the_screen_shows_counts_swings_and_the_best_option(result):
    text = sweep_text(result)
    assert "180 cases, seed 2: 180 done" in text
    assert "best most often: 3, 100 %" in text
    assert "least regret: 3, at worst 0 below the best" in text


def test_the_first_screen_says_how_far_it_spreads_and_what_moves_it_most(result):
    """Three racks are best; all twenty draws of the cost lie between 900 and 1,900 at 2 racks and 6 %."""
    spread = {name: f"{value:,.0f}" for name, value in result.spread.items()}
    assert reply(result) == [
        (
            f"In half of 20 draws the net present value is above {spread['p50']} EUR; in eight of ten it lies between"
            f" {spread['p10']} and {spread['p90']} EUR.",
            True,
        ),
        ("None of them is below 0.", False),
        (_mover_of(result), False),
        ("The best option most often is 3 racks: in 100 % of all that may come.", False),
    ]
    shown = {tile.name: tile.value for tile in tiles(result)}
    assert shown["Cases"] == "180"
    assert shown["P10"] == f"{spread['p10']} EUR"
    assert shown["Probability of less than 0"] == "0 %"
    assert shown["Moves it most"] == result.swings["axis"].iloc[0]


def _mover_of(result) -> str:
    first = result.swings.iloc[0]
    low, high = (f"{first[end]:,.4g}" for end in ("low", "high"))
    worth = [f"{first[name]:,.0f} EUR" for name in ("at_low", "at_high")]
    assert first["axis"] in ("racks", "rate", "cost")
    unit = {"racks": "", "rate": " %", "cost": " EUR"}[first["axis"]]
    return f"What moves it most is “{first['axis']}”: from {worth[0]} at {low}{unit} to {worth[1]} at {high}{unit}."


def test_a_probability_of_loss_is_said_where_there_is_one(result):
    lost = SweepResult(plan=result.plan, table=result.table.assign(npv=result.table["npv"] - 1400), base=result.base)
    below = 100 * lost.spread["below_0"]
    assert 40 < below < 60
    assert (f"It is below 0 with a probability of {below:.0f} %.", False) in reply(lost)


def test_axes_of_whole_numbers_have_whole_ticks(result):
    panels = draw_lines(result).axes
    racks = next(ax for ax in panels if ax.get_xlabel() == "racks")
    assert [tick for tick in racks.get_xticks() if tick != round(tick)] == []
    draws = draw_spread(result)
    assert [tick for tick in draws.get_yticks() if tick != round(tick)] == []


def test_a_break_even_of_whole_numbers_lies_between_two(result):
    table = result.table.assign(npv=result.table["npv"] - 1200)
    shifted = SweepResult(plan=result.plan, table=table, base=result.base)
    racks = next(ax for ax in draw_lines(shifted).axes if ax.get_xlabel() == "racks")
    assert [text.get_text() for text in racks.texts] == ["0 between 1 and 2"]


def test_values_of_an_axis_have_the_unit_of_its_key(result):
    rate, cost = form_of(result, "rate"), form_of(result, "cost")
    assert (rate.label, rate.full(0.065), rate.bare(0.1)) == ("rate [%]", "6.5 %", "10")
    assert (cost.label, cost.full(1234.56)) == ("cost [EUR]", "1,235 EUR")
    assert (form_of(result, "racks").label, form_of(result, "racks").full(2)) == ("racks", "2")


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_word_of_a_figure_is_cut_or_lies_on_another(result, language, monkeypatch):
    with speaking(language):
        figures = draw_sweep(result)
        for figure in figures.values():
            fit_to_reader(figure)
    for name, figure in figures.items():
        assert faults_of_texts(drawn_texts(figure, monkeypatch), figure) == [], name


def test_page_and_figures_say_nothing_past_the_catalogue(result, monkeypatch):
    table = result.table.copy()
    why = "option.racks: found 9, expected 1 to 8 racks (least_racks and most_racks of the catalogue)"
    table.loc[0, ["npv", "saving", "status", "reason"]] = [np.nan, np.nan, "refused", why]
    other = SweepResult(plan=result.plan, table=table, base=result.base)
    monkeypatch.setattr(_words, "_catalogue", lambda _: Brackets())
    with speaking("de"):
        figures = draw_sweep(other)
        page = sweep_html(other, dict.fromkeys(figures, b"<svg/>"))
    drawn = [text.get_text() for figure in figures.values() for text in figure.findobj(Text)]
    named = [result.plan.base.ask.site.name, "racks", "rate", "cost"]
    assert said_past([*texts_of(page), *drawn], named) == {}


@needs_browser
def test_in_a_browser_the_first_screen_holds_the_answer_and_nothing_overflows(result, tmp_path):
    fill_sweep(result, tmp_path, ["page"])
    with opened(tmp_path / "sweep.html") as page:
        assert max(bottom_of(page, one) for one in (".reply", ".first .answer", ".first img")) <= 800
        assert serious_faults(page) == []
        assert overflow_at(page, 360) <= 0
        assert serious_faults(page) == []
        assert bottom_of(page, ".reply") <= 800


def test_files_stand_beside_the_table_and_the_page_loads_nothing(result, tmp_path):
    fill_sweep(result, tmp_path)
    page = (tmp_path / "sweep.html").read_text(encoding="utf-8")
    assert page.count("<img") == len(draw_sweep(result)) == len(list((tmp_path / "figures").iterdir())) == 5
    assert not re.search(r'(src|href)="(?!data:)', page)
    assert json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))["spread"] == result.spread


def test_a_sweep_without_figures_still_has_a_page_with_the_reasons(result, tmp_path):
    table = result.table.assign(npv=np.nan, saving=np.nan, status="refused", reason="no such <thing>")
    empty = SweepResult(plan=result.plan, table=table, base=result.base)
    fill_sweep(empty, tmp_path)
    page = (tmp_path / "sweep.html").read_text(encoding="utf-8")
    assert "180: no such &lt;thing&gt;" in page
    assert "180 without figures: no such <thing>" in sweep_text(empty)


def test_the_command_says_what_is_wrong_with_status_2(monkeypatch, capsys, tmp_path):
    path = write_sweep(tmp_path, f"{HEAD}  - {{key: option.rack, values: [1]}}\n")
    monkeypatch.setattr("sys.argv", ["crestfall", "sweep", str(path), "--out", str(tmp_path / "out")])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 2
    assert "did you mean 'option.racks'?" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_command_writes_table_and_page(monkeypatch, capsys, tmp_path):
    path = write_sweep(tmp_path, f"{HEAD}  - {{key: money.discount.rate_frac, values: [0.05]}}\n")
    monkeypatch.setattr("sys.argv", ["crestfall", "sweep", str(path), "--out", str(tmp_path / "out"), "--workers", "1"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert not ended.value.code
    assert "1 case: 1 done" in capsys.readouterr().out
    assert len(pd.read_parquet(tmp_path / "out" / "table.parquet")) == 1
    assert (tmp_path / "out" / "sweep.html").is_file()


def test_a_notebook_shows_the_first_cases_with_what_was_changed(result):
    shown = result._repr_html_()
    assert f"{len(result.table):,} cases, {len(result.done):,} with figures; the first 20" in shown
    assert all(f"<th>{name}</th>" in shown for name in ("racks", "rate", "cost", "npv"))
