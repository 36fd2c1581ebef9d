"""A comparison in words, tables, figures and files: what is shown is what was found."""

import html
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from brackets import Brackets, said_past, texts_of
from browsers import bottom_of, needs_browser, opened, overflow_at, serious_faults
from compared_site import joinery, shared_comparison
from crestfall import cli
from crestfall.plant import Option
from crestfall.report import _words, compare_text, draw_choice, draw_doubt, draw_frontier, draw_maps, fill_comparison
from crestfall.report._compare import compare_html, draw_comparison
from crestfall.report._compare_figures import maps_of
from crestfall.report._compare_first import beside, reply
from crestfall.report._compare_text import refused_words, sureness
from crestfall.report._style import fit_to_reader
from crestfall.report._words import months, speaking
from crestfall.study import CRITERIA, Criterion
from crestfall.study._doubt import scores
from drawn_texts import drawn_texts, faults_of_texts


@pytest.fixture(scope="module")
def found():
    return shared_comparison()


@pytest.fixture(scope="module")
def folder(found, tmp_path_factory):
    """The files of that comparison."""
    folder = tmp_path_factory.mktemp("out")
    fill_comparison(found, folder)
    return folder


def test_the_screen_names_the_recommendation_its_reason_and_how_sure_it_is(found):
    text = compare_text(found)
    assert "recommended by net present value: 2 racks, 1 module\n" in text
    assert found.reason in text
    share, regret = found.table["best_share_frac"].iloc[0], found.regret_when_not_best
    assert sureness(found) == [
        f"It stays the best in {100 * share:.0f} % of 64 draws of load year, prices, fade and capital cost.",
        f"In the others it is worth {regret:,.0f} EUR less than the best, on average.",
    ]
    assert " ".join(sureness(found)) in text
    assert "draws from seed 1" in text
    assert all(len(line) <= 200 for line in text.splitlines() if found.reason not in line)


def _by_peak(found, options, target):
    few = tuple(one for one in found.options if one.option in options)
    terms = replace(found.terms, criterion=Criterion(name="peak_target", target=target))
    return replace(found, options=few, terms=terms, scores=scores(few, found.draws, terms))


def test_it_is_said_how_often_a_target_is_missed_and_what_worn_racks_keep(found):
    """Two racks keep the peak of the data, and miss it in one of four years of load, in which three would keep it."""
    known = found.figures(Option(2, 1))
    best = replace(known, other_peaks=tuple(known.peak_import_kw + by for by in (-1.0, 1.0, 0.0)))
    found = replace(found, options=tuple(best if one is known else one for one in found.options))
    target = known.peak_import_kw + 0.5
    worn = (
        f"This is about the first year: once its racks have lost a tenth of their energy, its highest import is"
        f" {best.worn_peak_kw:.1f} kW instead of {best.peak_import_kw:.1f} kW."
    )
    alone = _by_peak(found, (Option(0, 0), Option(2, 1)), target)
    assert sureness(alone)[1:] == [
        "In 25 % of the draws it misses the target.",
        "No other option reaches it there.",
        worn,
    ]
    names = [label.get_text() for label in draw_doubt(alone).axes[0].get_yticklabels()]
    assert names == ["no option", "2 × 1"]
    helped = _by_peak(found, (Option(0, 0), Option(2, 1), Option(3, 1)), target)
    assert helped.recommendation == Option(2, 1)
    assert sureness(helped) == [
        "It stays the best in 75 % of 64 draws of load year, prices, fade and capital cost.",
        "In 25 % of the draws it misses the target.",
        worn,
    ]
    rows = {name: cells for name, *cells in beside(helped).rows}
    assert rows["Highest import in any year of load [kW]"][0] == f"{max(best.other_peaks):.1f}"


def test_it_is_said_where_another_option_is_the_best_more_often(found):
    scores = found.scores.copy()
    second = next(at for at, one in enumerate(found.options) if one.option == Option(1, 1))
    scores[:, second] = scores.max(axis=1) + 1.0
    other = replace(found, scores=scores)
    assert other.recommendation == found.recommendation
    assert sureness(other)[-1] == "More often, in 100 %, the best is 1 rack, 1 module."
    assert not any("More often" in words for words in sureness(found))


def test_no_battery_is_on_the_screen_wherever_it_ranks(found):
    rows = [line.split() for line in compare_text(found).splitlines()]
    (nothing,) = [row for row in rows if row[1:5] == ["0", "0", "0", "0"]]
    assert int(nothing[0]) == int(found.table.index[found.table["racks"] == 0][0])


def test_options_with_one_reason_are_named_together(found):
    refused = tuple((one.option, "too large") for one in found.options[1:])
    assert refused_words(replace(found, refused=refused)) == [
        "1 × 1, 1 × 2, 2 × 1, 2 × 2, 3 × 1, 3 × 2: too large",
    ]


def test_each_map_shows_the_figures_of_the_table(found):
    figure = draw_maps(found)
    for ax, one in zip(figure.axes, maps_of(found), strict=True):
        shown = [text.get_text() for text in ax.texts]
        table = found.table[found.table["racks"] > 0].sort_values(["racks", "modules"])
        wanted = [one.form.format(one.factor * value).replace("-", "−") for value in table[one.column]]
        assert shown == [text.replace("nan", "–") for text in wanted]


def test_the_recommendation_is_framed_on_each_map(found):
    for ax in draw_maps(found).axes:
        (frame,) = ax.patches
        assert (frame.get_x() + 0.5, frame.get_y() + 0.5) == (0, 1), "column of 1 module, row of 2 racks"


def test_the_frontier_is_drawn_through_its_options(found):
    (line,) = draw_frontier(found).lines
    assert np.array_equal(line.get_ydata(), found.frontier["saving"])


def test_bars_of_doubt_are_the_shares(found):
    bars = draw_doubt(found).axes[0].patches
    shares = found.doubt[found.doubt["best_share_frac"] > 0]["best_share_frac"]
    assert [bar.get_width() for bar in bars][::-1] == pytest.approx((100 * shares).tolist())


def test_tables_of_the_folder_are_those_of_the_comparison(found, folder):
    pd.testing.assert_frame_equal(pd.read_parquet(folder / "options.parquet"), found.table)
    written = pd.read_csv(folder / "options.csv", index_col="rank")
    pd.testing.assert_frame_equal(written, found.table, check_dtype=False, atol=1e-6, rtol=0)
    assert len(pd.read_parquet(folder / "years.parquet")) == 6 * 3


def test_summary_is_plain_json_with_the_reason(found, folder):
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary == json.loads(json.dumps(found.summary()))
    assert summary["reason"] == found.reason
    assert summary["recommendation"] == {"racks": 2, "modules": 1}


def test_the_page_holds_every_figure_and_loads_nothing_from_elsewhere(found, folder):
    page = (folder / "compare.html").read_text(encoding="utf-8")
    assert page.count("<img") == len(list((folder / "figures").iterdir())) == 7
    assert not re.search(r'(src|href)="(?!data:)', page)
    assert all(clause[1:] in page.replace("&#39;", "'") for clause in found.reasons)


def test_the_first_screen_holds_the_best_against_the_next_and_none(found):
    shown = beside(found)
    assert [head for head, _ in shown.heads] == ["2 racks, 1 module", str(found.runner_up.option), "No battery"]
    rows = {name: cells for name, *cells in shown.rows}
    best, second = found.best, found.runner_up
    assert rows["Net present value [EUR]"] == [f"{best.npv:,.0f}", f"{second.npv:,.0f}", "0"]
    assert rows["Payback [years]"] == [f"{best.payback_years:.1f}", f"{second.payback_years:.1f}", "–"]
    assert rows["Saving, first year [EUR]"] == [f"{best.saving:,.0f}", f"{second.saving:,.0f}", "0"]
    share = {(row.racks, row.modules): 100 * row.best_share_frac for row in found.doubt.itertuples()}
    assert rows["Share of draws in which it is the best [%]"] == [
        f"{share[one.option.racks, one.option.modules]:.0f}" for one in (best, second, found.options[0])
    ]


def test_the_first_screen_answers_first_and_then_says_why_and_how_sure(found):
    (answer, is_first), *others = reply(found)
    assert (answer, is_first) == (f"2 racks, 1 module: highest NPV, {found.best.npv:,.0f} EUR.", True)
    assert not any(is_seen_first for _, is_seen_first in others)
    assert [words for words, _ in others][1:] == sureness(found)
    assert others[0][0] == "A" + "; ".join(found.reasons[1:])[1:] + "."


def test_where_no_battery_is_best_it_is_held_against_the_best_battery(found):
    dear = replace(found, terms=replace(found.terms, criterion=Criterion(name="saving_target", target=1e6)))
    assert [head for head, _ in beside(dear).heads] == ["No battery", str(dear.runner_up.option).capitalize()]
    assert reply(dear)[0][0] == "No battery: no option saves 1,000,000 EUR a year."
    assert not draw_choice(dear).patches


@pytest.mark.parametrize("name", CRITERIA)
def test_the_first_picture_shows_what_the_options_are_ranked_by(found, name):
    target = sorted(found.table["saving"])[-3] if name == "saving_target" else 100.0
    criterion = Criterion(name=name, target=target if name.endswith("target") else None)
    other = replace(found, terms=replace(found.terms, criterion=criterion))
    table = other.table[other.table["racks"] > 0].sort_values(["racks", "modules"])
    texts = [text.get_text() for text in draw_choice(other).texts]
    assert [text == "–" for text in texts] == [score == -np.inf for score in table["score"]]
    ahead = table["score"].argmax()
    numbers = [float(text.replace("−", "-").replace("–", "nan")) for text in texts]
    least = name in ("payback", "saving_target", "peak_target")
    assert numbers[ahead] == (np.nanmin(numbers) if least else np.nanmax(numbers))


def test_no_word_of_a_figure_is_cut_or_lies_on_another_in_the_longer_language(found, monkeypatch):
    with speaking("de"):
        figures = draw_comparison(found)
        for figure in figures.values():
            fit_to_reader(figure)
    for name, figure in figures.items():
        assert faults_of_texts(drawn_texts(figure, monkeypatch), figure) == [], name


def test_page_and_figures_say_nothing_past_the_catalogue(found, monkeypatch):
    refused = ((Option(9, 1), "it takes 1 to 8 racks (least_racks and most_racks of the catalogue)"),)
    why = "the scenario has no life, so options are ranked by the saving of the first year; "
    why += "what they cost decides nothing"
    full = replace(found, refused=refused, note=why)
    monkeypatch.setattr(_words, "_catalogue", lambda _: Brackets())
    with speaking("de"):
        figures = draw_comparison(full)
        page = compare_html(full, dict.fromkeys(figures, b"<svg/>"))
        named = [full.inputs.scenario.ask.site.name, "Berlin", *months()]
    drawn = [text.get_text() for figure in figures.values() for text in figure.findobj(Text)]
    assert said_past([*texts_of(page), *drawn], named) == {}


def test_where_every_battery_is_refused_there_is_a_page_that_says_so(found):
    refused = tuple((one.option, "out of memory") for one in found.options[1:])
    nothing = replace(found, options=found.options[:1], refused=refused, scores=found.scores[:, :1], pair=None)
    page = compare_html(nothing, dict.fromkeys(draw_comparison(nothing), b"<svg/>"))
    assert "No battery: no other option can be had." in page
    assert "1 × 1, 1 × 2, 2 × 1, 2 × 2, 3 × 1, 3 × 2: out of memory" in page


@needs_browser
def test_in_a_browser_the_first_screen_holds_the_answer_and_nothing_overflows(folder):
    with opened(folder / "compare.html") as page:
        assert max(bottom_of(page, one) for one in (".reply", ".beside", ".first img")) <= 800
        assert serious_faults(page) == []
        assert overflow_at(page, 360) <= 0
        assert serious_faults(page) == []
        assert bottom_of(page, ".reply") <= 800


def test_equal_comparisons_give_equal_bytes(found, folder, tmp_path):
    fill_comparison(found, tmp_path)
    for path in (path for path in folder.rglob("*") if path.is_file()):
        assert (tmp_path / path.relative_to(folder)).read_bytes() == path.read_bytes(), path.name


def run_cli(monkeypatch, *arguments: str) -> None:
    monkeypatch.setattr("sys.argv", ["crestfall", *arguments])
    cli.main()


def test_the_command_writes_a_folder_that_only_force_replaces(monkeypatch, capfd, tmp_path):
    path, out = joinery().path, tmp_path / "out"
    arguments = ["compare", str(path), "--out", str(out), "--racks", "1", "--modules", "1", "--draws", "0"]
    arguments += ["--workers", "1"]
    with pytest.raises(SystemExit) as ended:
        run_cli(monkeypatch, *arguments)
    assert not ended.value.code
    said = capfd.readouterr()
    assert "recommended by saving of the first year" in said.out
    assert "2 of 2 options" in said.err
    assert (out / "compare.html").is_file()
    with pytest.raises(SystemExit) as ended:
        run_cli(monkeypatch, *arguments)
    assert ended.value.code == 2
    assert "the folder holds a comparison\n    add --resume to go on with it" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--racks", "8..1"], "--racks 8..1: found '8..1', expected a number from 1, or a range such as 1..8"),
        (["--pair", "1x1"], "--pair 1x1: expected two options as racks x modules"),
        (["--criterion", "saving_target"], "criterion saving_target: no target"),
    ],
)
def test_a_wrong_wish_ends_with_status_2_and_leaves_nothing(monkeypatch, capsys, tmp_path, arguments, words):
    out = tmp_path / "out"
    with pytest.raises(SystemExit) as ended:
        run_cli(monkeypatch, "compare", str(joinery().path), "--out", str(out), *arguments)
    assert ended.value.code == 2
    assert words in capsys.readouterr().err
    assert list(Path(tmp_path).iterdir()) == []


def test_a_notebook_shows_reason_and_options(found):
    shown = found._repr_html_()
    assert html.escape(found.reason) in shown
    rows = re.findall(r"<th>(\d+)</th>\s*<td>(\d+)</td>\s*<td>(\d+)</td>", shown)
    expected = found.table[["racks", "modules"]].reset_index().astype(str)
    assert rows == [tuple(row) for row in expected.to_numpy()]
