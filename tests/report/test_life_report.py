"""The years of life in pictures, tables and files: what is shown is what was found."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crestfall import cli
from crestfall.report import draw_cash, draw_health, draw_warranty, draw_yearly_savings, fill_folder, life_text
from crestfall.report._folder import OWN_NAMES
from crestfall.report._life import (
    TERMS,
    capital_rows,
    cash_tables,
    offer_rows,
    saved_table,
    warranty_rows,
    warranty_words,
    worth_rows,
    years_rows,
)
from crestfall.scenario import load_scenario
from crestfall.study import run
from hourly_site import WITH_PV, shared_study, year_csv
from site_files import in_catalogue, in_scenario, write_site

PRICE = "  standby_kw: 0.05\n  price: 9000\n"
MONEY = "  installation_cost: 1500\n"
RACK = in_catalogue(
    PRICE,
    f"{PRICE}  life: {{law: per_cycle_and_year, loss_frac_per_full_cycle: 0.0001, calendar_loss_frac_per_year: 0.1}}\n"
    "  warranty: {years: 10, most_cycles_per_year: 150, health_by_year: [{year: 2, health_frac: 0.7}]}\n",
)
LIFE = in_scenario(
    MONEY,
    f"{MONEY}"
    "  discount: {rate_frac: 0.06, terms: nominal, timing: mid_year}\n"
    "  tax: {rate_frac: 0.3, depreciation_years: 5}\n"
    "  loan: {share_frac: 0.5, rate_frac: 0.05, years: 3}\n"
    "  lease: {rent_per_month: 300, years: 3}\n"
    "  seller: {cost_frac: 0.8, rate_frac: 0.08}\n"
    "life:\n"
    "  horizon_years: 4\n"
    "  end_of_life: {then: replace, prices: {rack_price: 8000}}\n",
)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """Four years in which the racks are replaced once."""
    return run(load_scenario(write_site(tmp_path_factory.mktemp("joinery"), WITH_PV, RACK, LIFE, load=year_csv())))


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    """The files of that study."""
    folder = tmp_path_factory.mktemp("out")
    fill_folder(result, folder)
    return folder


def heights(ax, label: str) -> list[float]:
    (bars,) = [one for one in ax.containers if one.get_label() == label]
    return [bar.get_height() for bar in bars]


def test_health_and_both_losses_fill_each_year_to_the_whole(result):
    ax = draw_health(result)
    parts = [heights(ax, label) for label in ("left at the end of the year", "lost by cycles", "lost by age")]
    assert np.sum(parts, axis=0) == pytest.approx([100] * 4)
    assert parts[0] == pytest.approx([100 * year.health_end_frac for year in result.life.years])
    assert [text.get_text() for text in ax.texts] == ["2 new"]


def test_guaranteed_health_is_drawn_as_the_warranty_has_it(result):
    (line,) = [one for one in draw_health(result).lines if one.get_label().startswith("guaranteed")]
    assert line.get_ydata() == pytest.approx([85, 70])


def test_cash_is_drawn_with_both_paybacks(result):
    ax, frame = draw_cash(result), result.life.appraisal.frame
    assert heights(ax, "cash of the year") == pytest.approx(frame["cash"].tolist())
    lines = {line.get_label(): line.get_ydata() for line in ax.lines}
    assert lines["sum so far"] == pytest.approx(frame["cash"].cumsum().tolist())
    assert lines["discounted at 6 % nominal"] == pytest.approx(frame["cumulative_discounted"].tolist())
    found = result.life.appraisal.without_debt
    shown = [value for value in (found.payback_years, found.discounted_payback_years) if value is not None]
    assert len(ax.texts) == len(shown)


def test_yearly_savings_stack_up_to_the_saving(result):
    ax = draw_yearly_savings(result)
    stacked = np.sum([[bar.get_height() for bar in bars] for bars in ax.containers], axis=0)
    assert stacked == pytest.approx([year.saving for year in result.life.years], abs=1.0)


def test_warranty_is_drawn_as_shares_of_its_limits(result):
    ax = draw_warranty(result)
    lines = {line.get_label(): line.get_ydata() for line in ax.lines}
    first, _ = result.life.warranties
    assert lines["cycles of the year"] == pytest.approx(100 / 150 * first.check.frame["cycles"])
    # Guaranteed are 70 % after two years, 85 % half-way: 15 and 30 % may be lost.
    lost = 1 - first.check.frame["health_frac"].to_numpy()
    assert lines["loss of health"][:2] == pytest.approx(100 * lost[:2] / [0.15, 0.30])
    assert ax.get_title() == f"Warranty broken in year {result.life.year_of_breach}"
    assert ax.get_ylim()[1] > max(100, lines["cycles of the year"].max())


def test_cash_tables_hold_every_line_with_and_without_debt(result):
    plain, debt = cash_tables(result.life)
    assert plain[0] == ("year", "capital", "savings", "later racks", "tax", "cash", "written off")
    assert debt[0] == ("year", "loan", "interest", "repayment", "tax", "cash", "debt service cover")
    frame = result.life.appraisal.frame
    assert [len(plain), len(debt)] == [6, 6]
    assert plain[1][1] == f"{frame['capital'].iloc[0]:,.0f}".replace("-", "−")
    assert plain[4][3] == "−16,000"
    assert debt[2][-1] == f"{frame['dscr'].iloc[1]:.2f}"
    assert debt[5][-1] == "–"  # the loan of three years is paid back


def test_capital_is_shown_part_by_part(result):
    rows = dict(capital_rows(result.life))
    assert list(rows) == ["Racks", "Power modules", "Cabinets", "Works", "Capital cost"]
    assert rows["Works"] == "1,500"


def test_table_of_lines_ends_with_the_saving_of_each_year(result):
    head, *rows = saved_table(result.life)
    assert head[0] == "year"
    assert head[-1] == "in all"
    assert [row[-1] for row in rows] == [f"{year.saving:,.0f}" for year in result.life.years]


def test_without_a_life_there_is_nothing_to_draw():
    with pytest.raises(ValueError, match="the first year only"):
        draw_health(shared_study())


def test_tables_are_written_as_they_were_found(result, folder):
    years = pd.read_csv(folder / "years.csv", index_col="year")
    assert years["saving"].tolist() == pytest.approx([year.saving for year in result.life.years], abs=1e-6)
    saved = years[[name for name in years if name.startswith("saved: ")]].sum(axis=1)
    assert saved.tolist() == pytest.approx(years["saving"].tolist(), abs=1e-5)
    cash = pd.read_csv(folder / "cashflow.csv", index_col="year")
    assert cash.index.tolist() == [0, 1, 2, 3, 4]
    assert cash["cumulative"].iloc[-1] == pytest.approx(cash["cash"].sum(), abs=1e-4)
    warranty = pd.read_csv(folder / "warranty.csv")
    assert sorted(set(warranty["joined_year"])) == [1, 4]
    offers = pd.read_csv(folder / "offers.csv", index_col="year")
    assert offers.columns.tolist() == ["purchase: site", "lease: site", "purchase: seller", "lease: seller"]
    assert offers["purchase: site"].tolist() == pytest.approx(cash["cash_with_debt"].tolist(), abs=1e-5)
    assert {one.name for one in folder.iterdir()} <= OWN_NAMES


def test_summary_and_figures_are_written(folder):
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert len(summary["life"]["health_end_frac"]) == 4
    margins = summary["life"]["warranty"]["margins"]
    assert [(one["racks_of_year"], one["racks"]) for one in margins] == [(1, 2), (4, 2)]
    assert margins[0]["cycles_margin"] == pytest.approx([150 - n for n in summary["life"]["full_cycles"][:3]])
    assert margins[0]["cold_margin_c"] == [None, None, None]  # no such limit
    assert {path.stem for path in (folder / "figures").iterdir()} >= {
        "health",
        "yearly-savings",
        "cash",
        "warranty",
    }


def test_report_shows_years_worth_warranty_and_offers(result, folder):
    html = (folder / "report.html").read_text(encoding="utf-8")
    for heading in (
        "Life and money",
        "Year by year",
        "What each line saves in each year",
        "Cash flow",
        "Cash flow with debt",
        "Capital cost",
        "Ways to have it",
        "Warranty",
    ):
        assert f"<h2>{heading}</h2>" in html
    tables = [rows_of(result.life) for rows_of in (years_rows, offer_rows, warranty_rows, saved_table, capital_rows)]
    for table in (*tables, *cash_tables(result.life)):
        assert all(cell in html for row in table for cell in row)


def test_terminal_shows_the_start_and_every_year(result):
    rows = years_rows(result.life)
    assert [row[0] for row in rows] == ["0", "1", "2", "3", "4"]
    assert rows[4][7] == "–"
    assert rows[3][7] == "−16,000"  # paid at the end of the year before
    text = life_text(result)
    assert all(any(line.split() == " ".join(row).split() for line in text.splitlines()) for row in rows)
    assert "flows in the middle of the years" in text
    assert life_text(shared_study()) == ""


def test_command_line_shows_the_years_below_the_bill(result):
    assert life_text(result) in cli._screen(result, Path("out"))


def test_terminal_names_the_breach_with_its_year(result):
    words = warranty_words(result.life)
    assert words.startswith("broken: cycles in the year in year 1, ")
    assert len(TERMS) == len(warranty_rows(result.life)[0]) - 2


def test_several_rates_of_return_are_all_shown(result):
    life, money = result.life, result.inputs.scenario.ask.money
    worth = replace(life.appraisal.without_debt, irr_frac=(0.1, 0.2))
    rows = worth_rows(replace(life, appraisal=replace(life.appraisal, without_debt=worth)), money)
    assert ("rate of return", "10.0 %, 20.0 %", "several: none says anything by itself") in rows


def test_a_rate_of_return_that_is_not_there_is_called_none(result, tmp_path):
    idle = in_scenario("money:", "dispatch: {wear_per_kwh: 100}\nmoney:")
    nothing = in_catalogue("  standby_kw: 0.1\n", "  standby_kw: 4\n")
    found = run(load_scenario(write_site(tmp_path, WITH_PV, RACK, LIFE, idle, nothing, load=year_csv())))
    rows = {name: figure for name, figure, _ in worth_rows(found.life, found.inputs.scenario.ask.money)}
    assert rows["rate of return"] == "none"
    assert rows["payback"] == "none"
    assert found.summary()["life"]["irr_frac"] == []


def test_a_single_year_is_marked_as_a_whole_one(result):
    short = replace(result, life=replace(result.life, years=result.life.years[:1]))
    ax = draw_health(short)
    low, high = ax.get_xlim()
    assert [tick for tick in ax.get_xticks() if low <= tick <= high] == [1]
