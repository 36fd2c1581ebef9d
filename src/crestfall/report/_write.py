"""Write a finished study into a folder."""

import json
import time
from pathlib import Path

from ruamel.yaml import YAML

from crestfall.report._emissions import emissions_frame
from crestfall.report._figures import draw_all
from crestfall.report._files import figure_bytes, write_tables
from crestfall.report._folder import result_folder
from crestfall.report._page import report_html
from crestfall.report._sections import draw_sections
from crestfall.report._workbook import workbook_bytes
from crestfall.study import Result


def write_result(result: Result, target: str | Path, *, force: bool = False) -> Path:
    """
    Write a study into a folder of its own.

    Parameters
    ----------
    result : Result
        The study.
    target : str or Path
        The folder; it appears whole or not at all.
    force : bool, default=False
        Whether an older result may be replaced.

    Returns
    -------
    Path
        The report, ``report.html``.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    with result_folder(Path(target), force=force) as folder:
        fill_folder(result, folder)
    return Path(target) / "report.html"


def fill_folder(result: Result, folder: Path) -> None:
    """
    Write all files of a study into an empty folder; equal studies give equal bytes but for ``timings.json``.

    Parameters
    ----------
    result : Result
        The study.
    folder : Path
        An empty folder.
    """
    began = time.perf_counter()
    figures = draw_all(result) | draw_sections(result)
    svgs = {name: figure_bytes(figure, "svg") for name, figure in figures.items()}
    (folder / "figures").mkdir()
    for name, figure in figures.items():
        for kind in result.inputs.scenario.ask.output.figure_formats:
            content = svgs[name] if kind == "svg" else figure_bytes(figure, kind)
            (folder / "figures" / f"{name}.{kind}").write_bytes(content)
    result.schedule_frame().to_parquet(folder / "schedule.parquet")
    result.bill_frame().to_csv(folder / "bill.csv", index=False, float_format="%.6f", lineterminator="\n")
    (folder / "study.xlsx").write_bytes(workbook_bytes(result))
    if result.inputs.scenario.ask.emissions is not None:
        table = emissions_frame(result)
        table.to_csv(folder / "emissions.csv", index=False, float_format="%.6f", lineterminator="\n")
    if result.life is not None:
        write_tables(result.life, folder)
    with (folder / "inputs.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(result.inputs.scenario.resolved(), file)
    (folder / "report.html").write_text(report_html(result, svgs), encoding="utf-8")
    _write_json(folder / "summary.json", result.summary())
    seconds = result.timings_s | {"drawing and writing": time.perf_counter() - began}
    _write_json(folder / "timings.json", {"seconds": seconds})


def _write_json(path: Path, content: object) -> None:
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
