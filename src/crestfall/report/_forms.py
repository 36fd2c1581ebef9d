"""The forms that a report is written in, the same way for a run, a comparison and a sweep."""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from crestfall.report._compare import compare_html, draw_comparison
from crestfall.report._compare_text import written_table
from crestfall.report._emissions import emissions_frame
from crestfall.report._figures import draw_all
from crestfall.report._files import figure_bytes, life_tables
from crestfall.report._page import report_html
from crestfall.report._pdf import pdf_bytes
from crestfall.report._running import mark, running_of
from crestfall.report._sections import draw_sections
from crestfall.report._sweep import draw_sweep, sweep_html
from crestfall.report._table_workbooks import comparison_workbook, sweep_workbook
from crestfall.report._workbook import workbook_bytes
from crestfall.study import Comparison, Result, Study, SweepResult

FORMS: tuple[str, ...] = ("page", "pdf", "workbook", "figures", "tables", "csv")
# What every study leaves. A year of quarter hours takes some megabytes as CSV: it is made where it is asked for.
USUAL_FORMS: tuple[str, ...] = ("page", "workbook", "figures", "tables")
LONG_TABLES = ("schedule",)


@dataclass(frozen=True, slots=True)
class _Kind:
    """How one kind of study is shown."""

    name: str  # of the page
    draw: Callable[[Any], dict[str, Figure]]
    html: Callable[[Any, dict[str, bytes]], str]
    tables: Callable[[Any], dict[str, pd.DataFrame]]
    workbook: Callable[[Any], bytes]
    workbook_name: str


def write_forms(study: Study, folder: Path, forms: Iterable[str] = USUAL_FORMS, *, paper: str = "a4") -> None:
    """
    Write a study's report in some forms; equal studies give equal bytes.

    Parameters
    ----------
    study : Result, Comparison or SweepResult
        The study.
    folder : Path
        Where the files are written; files of the same names are replaced.
    forms : iterable of str, optional
        Of `FORMS`; left out: `USUAL_FORMS`.
    paper : {"a4", "letter"}, default="a4"
        Size of the PDF's pages.
    """
    kind, wanted = _kind_of(study), set(forms)
    figures = kind.draw(study) if wanted & {"page", "pdf", "figures"} else {}
    for figure in figures.values():
        mark(figure, running_of(study).notice)
    svgs = {name: figure_bytes(figure, "svg") for name, figure in figures.items()}
    if "figures" in wanted:
        _write_figures(study, figures, svgs, folder / "figures")
    if wanted & {"page", "pdf"}:
        page = kind.html(study, svgs)
        if "page" in wanted:
            (folder / f"{kind.name}.html").write_text(page, encoding="utf-8")
        if "pdf" in wanted:
            (folder / f"{kind.name}.pdf").write_bytes(pdf_bytes(page, paper))
    if "workbook" in wanted:
        (folder / f"{kind.workbook_name}.xlsx").write_bytes(kind.workbook(study))
    if wanted & {"tables", "csv"}:
        _write_tables(kind.tables(study), folder, wanted)
    write_json(folder / "summary.json", study.summary())


def page_name(study: Study) -> str:
    """
    Return the file name of a study's page.

    Parameters
    ----------
    study : Result, Comparison or SweepResult
        The study.

    Returns
    -------
    str
        The name with its ending.
    """
    return f"{_kind_of(study).name}.html"


def _kind_of(study: Study) -> _Kind:
    if isinstance(study, Result):
        return _Kind("report", _figures_of_run, report_html, _tables_of_run, workbook_bytes, "study")
    if isinstance(study, Comparison):
        return _Kind("compare", draw_comparison, compare_html, _tables_of_comparison, comparison_workbook, "compare")
    return _Kind("sweep", draw_sweep, sweep_html, _tables_of_sweep, sweep_workbook, "sweep")


def _figures_of_run(result: Result) -> dict[str, Figure]:
    return draw_all(result) | draw_sections(result)


def _write_figures(study: Study, figures: dict[str, Figure], svgs: dict[str, bytes], folder: Path) -> None:
    ask = study.plan.base.ask if isinstance(study, SweepResult) else study.inputs.scenario.ask
    folder.mkdir(exist_ok=True)
    for name, figure in figures.items():
        for kind in ask.output.figure_formats:
            (folder / f"{name}.{kind}").write_bytes(svgs[name] if kind == "svg" else figure_bytes(figure, kind))


def _write_tables(tables: dict[str, pd.DataFrame], folder: Path, wanted: set[str]) -> None:
    for name, table in tables.items():
        if "tables" in wanted:
            table.to_parquet(folder / f"{name}.parquet")
        if "csv" in wanted or name not in LONG_TABLES:
            (folder / f"{name}.csv").write_text(written_table(table), encoding="utf-8")


def _tables_of_run(result: Result) -> dict[str, pd.DataFrame]:
    tables = {"schedule": result.schedule_frame(), "bill": result.bill_frame()}
    if result.inputs.scenario.ask.emissions is not None:
        tables["emissions"] = emissions_frame(result)
    return tables if result.life is None else tables | life_tables(result.life)


def _tables_of_comparison(comparison: Comparison) -> dict[str, pd.DataFrame]:
    tables = {"options": comparison.table, "steps": comparison.marginals, "refused": comparison.refused_frame()}
    if comparison.doubt is not None:
        tables["doubt"] = comparison.doubt
    years = comparison.years_frame()
    return tables if years.empty else tables | {"years": years}


def _tables_of_sweep(result: SweepResult) -> dict[str, pd.DataFrame]:
    swings = result.swings.astype({"low": "string", "high": "string"})  # numbers of one axis, names of another
    tables = {"table": result.table, "swings": swings}
    return tables if result.choices is None else tables | {"choices": result.choices}


def write_json(path: Path, content: object) -> None:
    """
    Write facts as a JSON file.

    Parameters
    ----------
    path : Path
        The file.
    content : object
        What JSON can hold.
    """
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
