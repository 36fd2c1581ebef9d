"""The command line: commands, messages and exit statuses; no arithmetic."""

import json
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Self, TypeVar, cast

import typer
from rich.console import Console

import crestfall
from crestfall.errors import CrestfallError, InputError

if TYPE_CHECKING:
    from crestfall.errors import DocumentKind
    from crestfall.study import Case, Inputs, Result, SummaryKind

logger = logging.getLogger(__name__)
app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False, rich_markup_mode=None)
T = TypeVar("T")

INTERRUPTED = 130  # 128 + SIGINT, as shells have it
KNOWS = {
    "rolling": "plans on forecasts",
    "rules": "knows tariff and past",
    "hindsight": "knows the whole year: a ceiling",
}

PdfWanted = Annotated[bool, typer.Option("--pdf", help="Write the report as a PDF as well.")]
Language = Annotated[str, typer.Option(help="Language of the report: de, en, es, fr.", metavar="CODE")]
ScenarioPath = Annotated[Path, typer.Argument(help="Scenario file (YAML).", metavar="SCENARIO")]


class Unit(StrEnum):
    """Units of a load."""

    KW = "kW"
    KWH = "kWh"


class Kind(StrEnum):
    """Kinds of YAML files, and of the summaries that studies leave."""

    SCENARIO = "scenario"
    TARIFF = "tariff"
    CATALOGUE = "catalogue"
    SWEEP = "sweep"
    RUN_SUMMARY = "run-summary"
    COMPARE_SUMMARY = "compare-summary"
    SWEEP_SUMMARY = "sweep-summary"


class StampEnd(StrEnum):
    """Ends of an interval."""

    START = "start"
    END = "end"


class DateOrder(StrEnum):
    """Orders of day, month and year."""

    DMY = "dmy"
    MDY = "mdy"
    YMD = "ymd"


class DecimalMark(StrEnum):
    """Decimal marks."""

    POINT = "."
    COMMA = ","


class MeterUnit(StrEnum):
    """Units of meter data."""

    W = "W"
    KW = "kW"
    MW = "MW"
    WH = "Wh"
    KWH = "kWh"
    MWH = "MWh"


class Rank(StrEnum):
    """Criteria by which options are ranked."""

    NPV = "npv"
    PAYBACK = "payback"
    IRR = "irr"
    SAVING_PER_CAPITAL = "saving_per_capital"
    SAVING = "saving"
    SAVING_TARGET = "saving_target"
    PEAK_TARGET = "peak_target"


class ReportForm(StrEnum):
    """Forms of a report."""

    PAGE = "page"
    PDF = "pdf"
    WORKBOOK = "workbook"
    FIGURES = "figures"
    TABLES = "tables"
    CSV = "csv"


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


PaperSize = Annotated[Paper, typer.Option(help="Size of the PDF's pages.")]


class ValueKind(StrEnum):
    """Kinds of meter data."""

    INTERVAL = "interval"
    REGISTER = "register"


def main() -> None:
    """Run the command line; exit status 0 done, 1 a bug, 2 bad input, 3 no feasible schedule, 130 interrupted."""
    logging.basicConfig(format="%(levelname)s: %(message)s", level=logging.WARNING, stream=sys.stderr)
    try:
        app()
    except CrestfallError as error:
        print(error, file=sys.stderr)  # noqa: T201 -- the message is for the user, not for a log
        sys.exit(error.exit_status)


@app.callback(invoke_without_command=True)
def _options(
    version: Annotated[bool, typer.Option("--version", help="Show the version and leave.", is_eager=True)] = False,
) -> None:
    """Size a modular battery for one site: what it saves, how it runs, and how sure that is."""
    if version:
        typer.echo(f"crestfall {crestfall.__version__}")
        raise typer.Exit


@app.command()
def run(
    scenario: ScenarioPath,
    out: Annotated[Path, typer.Option(help="Folder for the results; it must not exist yet.", metavar="FOLDER")],
    pdf: PdfWanted = False,
    paper: PaperSize = Paper.A4,
    language: Language = "en",
    as_json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace an older result in that folder.")] = False,
) -> None:
    """Study one option on one site's year and write schedule, bills, figures and report."""
    from crestfall.report import check_language, fill_folder, result_folder
    from crestfall.study import run as run_study

    check_language(language)
    with _Progress() as progress:
        try:
            loaded = crestfall.load_scenario(scenario)
            with result_folder(out, force=force) as folder:
                result = _interruptible(lambda: run_study(loaded, on_stage=progress.stage))
                progress.stage("drawing figures and writing the report")
                fill_folder(result, folder, _forms(pdf), paper=paper.value, language=language)
        except KeyboardInterrupt:
            progress.end("interrupted, nothing was written")
            os._exit(INTERRUPTED)  # a solver in the second thread would keep the process alive
        progress.end("done")
    typer.echo(_json(result.summary()) if as_json else _screen(result, out))


@app.command()
def compare(
    scenario: ScenarioPath,
    out: Annotated[Path, typer.Option(help="Folder for the results; it must not exist yet.", metavar="FOLDER")],
    racks: Annotated[str | None, typer.Option(help="Numbers of racks, such as 1..8; left out: all.")] = None,
    modules: Annotated[str | None, typer.Option(help="Numbers of modules, such as 2,4,6; left out: all.")] = None,
    pair: Annotated[str | None, typer.Option(help="Two options to show side by side, such as 1x1,8x6.")] = None,
    criterion: Annotated[
        Rank | None, typer.Option(help="What the best is; left out: npv, or saving where there is none.")
    ] = None,
    target: Annotated[
        float | None, typer.Option(help="Saving a year (saving_target), or highest import in kW (peak_target).")
    ] = None,
    draws: Annotated[
        int, typer.Option(help="Draws of load, prices, fade and capital cost; 0 for none.", min=0, max=100_000)
    ] = 256,
    seed: Annotated[int, typer.Option(help="Start of the random numbers.", min=0)] = 1,
    workers: Annotated[int | None, typer.Option(help="Processes; left out: one for each core.", min=1)] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with what the folder holds.")] = False,
    pdf: PdfWanted = False,
    paper: PaperSize = Paper.A4,
    language: Language = "en",
    as_json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace an older result in that folder.")] = False,
) -> None:
    """Study every option of the catalogue through its life, rank them, and say how sure the best one is."""
    from crestfall.report import check_language, check_place, compare_text, fill_comparison, finished_folder
    from crestfall.study import compare as study_all
    from crestfall.study import counts_of, pair_of

    check_language(language)
    if force and resume:
        raise InputError("--force begins anew and --resume goes on\n    leave one of them out")
    with _Progress() as progress, _gentle_stop(progress) as is_stopped:
        try:
            loaded = crestfall.load_scenario(scenario)
            check_place(out, force=force)
            found = study_all(
                loaded,
                racks=None if racks is None else counts_of(racks, asked_by="--racks"),
                modules=None if modules is None else counts_of(modules, asked_by="--modules"),
                pair=None if pair is None else pair_of(pair, asked_by="--pair"),
                criterion=None if criterion is None else criterion.value,
                target=target,
                draws=draws,
                seed=seed,
                workers=workers,
                out=out,
                resume=resume,
                afresh=force,
                on_stage=progress.stage,
                is_stopped=is_stopped,
            )
            progress.stage("drawing figures and writing the page")
            with finished_folder(out) as folder:
                fill_comparison(found, folder, _forms(pdf), paper=paper.value, language=language)
        except KeyboardInterrupt:
            progress.end(f"stopped; what is done is in {out}, and the same command with --resume goes on")
            sys.exit(INTERRUPTED)
        progress.end("done")
    wrote = f"wrote {out / 'compare.html'}"
    typer.echo(json.dumps(found.summary(), indent=2, ensure_ascii=False) if as_json else compare_text(found))
    typer.echo(wrote, err=as_json)


@app.command()
def sweep(
    file: Annotated[Path, typer.Argument(help="Sweep file (YAML).", metavar="SWEEP")],
    out: Annotated[Path, typer.Option(help="Folder for the results.", metavar="FOLDER")],
    workers: Annotated[int | None, typer.Option(help="Processes; left out: one for each core.", min=1)] = None,
    cluster: Annotated[
        str | None, typer.Option(help="Scheduler whose workers take the cases instead.", metavar="ADDRESS")
    ] = None,
    limit: Annotated[int, typer.Option(help="Most cases.", min=1)] = 10_000,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with what the folder holds.")] = False,
    pdf: PdfWanted = False,
    paper: PaperSize = Paper.A4,
    language: Language = "en",
    as_json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
) -> None:
    """Study many cases of one scenario; results are kept as they come, and --resume goes on after a stop."""
    from crestfall.report import check_language, fill_sweep, sweep_text
    from crestfall.study import sweep as study_cases

    check_language(language)
    with _Progress() as progress, _gentle_stop(progress) as is_stopped:
        try:
            found = study_cases(
                file,
                out,
                workers=workers,
                cluster=cluster,
                limit=limit,
                resume=resume,
                on_stage=progress.stage,
                is_stopped=is_stopped,
            )
        except KeyboardInterrupt:
            progress.end(f"stopped; what is done is in {out}, and the same command with --resume goes on")
            sys.exit(INTERRUPTED)
        progress.stage("drawing figures and writing the page")
        fill_sweep(found, out, _forms(pdf), paper=paper.value, language=language)
        progress.end("done")
    if as_json:
        typer.echo(json.dumps(found.summary(), indent=2, ensure_ascii=False, default=str))
    else:
        typer.echo(f"{sweep_text(found)}\nwrote {out / 'table.parquet'} and {out / 'sweep.html'}")


@app.command()
def report(
    folder: Annotated[Path, typer.Argument(help="Folder of a finished run, compare or sweep.", metavar="FOLDER")],
    form: Annotated[
        list[ReportForm] | None, typer.Option(help="A form to make; may be repeated; left out: those of a run.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Another folder for them; left out: the same.", metavar="FOLDER")
    ] = None,
    paper: PaperSize = Paper.A4,
    language: Language = "en",
    force: Annotated[bool, typer.Option("--force", help="Replace an older result in the other folder.")] = False,
) -> None:
    """Make page, PDF, workbook, figures or tables of a finished study again; nothing is solved."""
    from crestfall.report import USUAL_FORMS, rewrite_report

    if force and out is None:
        raise InputError("--force is for another folder\n    add --out, or leave it out")
    with _Progress() as progress:
        try:
            wanted = [one.value for one in form] if form else USUAL_FORMS
            page = rewrite_report(
                folder,
                forms=wanted,
                paper=paper.value,
                language=language,
                out=out,
                force=force,
                on_stage=progress.stage,
            )
        except KeyboardInterrupt:
            progress.end("interrupted, nothing was written")
            sys.exit(INTERRUPTED)
        progress.end("done")
    typer.echo(f"wrote {', '.join(wanted)} into {page.parent}")


@app.command()
def spread(
    scenario: ScenarioPath,
    as_json: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
) -> None:
    """Study every year of the data, or every shape that fits twelve bills, and show how far the savings lie apart."""
    from crestfall.report import spread_facts, spread_text
    from crestfall.study import spread as study_each

    with _Progress() as progress:
        try:
            loaded = crestfall.load_scenario(scenario)
            table = _interruptible(lambda: study_each(loaded, on_stage=progress.stage))
        except KeyboardInterrupt:
            progress.end("interrupted, nothing was written")
            os._exit(INTERRUPTED)  # a solver in the second thread would keep the process alive
        progress.end("done")
    if as_json:
        typer.echo(_json(spread_facts(table, loaded)))
    else:
        typer.echo(spread_text(table, loaded, width=Console().width))


@app.command()
def check(scenario: ScenarioPath) -> None:
    """Read and check a scenario with its tariff, catalogue and data; nothing is solved or written."""
    from crestfall.study import prepare

    inputs = prepare(crestfall.load_scenario(scenario))
    series, plant = inputs.series, inputs.plant
    lines = [
        f"{inputs.scenario.ask.site.name}   {_span(inputs)}",
        f"  load         {series.load_kw.sum() * series.step_h:,.0f} kWh, peak {series.load_kw.max():,.1f} kW",
        f"  PV           {series.pv_kw.sum() * series.step_h:,.0f} kWh, peak {series.pv_kw.max():,.1f} kW",
        f"  tariff       {inputs.rates.title}: {_counted(len(inputs.rates.line_groups), 'line')},"
        f" {_counted(len(inputs.rates.peak_charges), 'demand charge')}",
        *(f"  or           {rates.title}" for rates in inputs.choices),
        f"  policy       {inputs.policy_words}",
        f"  option       {plant.option}: {plant.rating_kva:,.0f} kVA, {plant.nominal_kwh:,.0f} kWh nominal,"
        f" {plant.usable_kwh:,.0f} kWh usable, {_counted(plant.cabinets, 'cabinet')}",
        *(f"  note: {one}" for one in series.not_metered),
        "nothing wrong was found; nothing was run",
    ]
    typer.echo("\n".join(lines))


@app.command()
def tariff(
    file: Annotated[Path, typer.Argument(help="Tariff file (YAML).", metavar="FILE")],
    picture: Annotated[
        Path | None, typer.Option(help="Draw prices and demand windows by day and hour (.svg, .png).", metavar="FILE")
    ] = None,
    year: Annotated[
        int | None, typer.Option(help="Year of the picture; left out: that of valid_from.", min=1900, max=2200)
    ] = None,
    zone: Annotated[str | None, typer.Option(help="Time zone of the site, such as Europe/Lisbon.")] = None,
    step_min: Annotated[int, typer.Option(help="Step of the picture in minutes.")] = 15,
    load: Annotated[
        Path | None,
        typer.Option(help="Bill this load (CSV with a column time); it decides year and step.", metavar="FILE"),
    ] = None,
    column: Annotated[str, typer.Option(help="Column with the load.")] = "load_kw",
    unit: Annotated[Unit, typer.Option(help="Mean power or energy of each step.")] = Unit.KW,
    power_factor: Annotated[
        float | None, typer.Option(help="Power factor of the load, where kVA or reactive power are billed.")
    ] = None,
    bill: Annotated[Path | None, typer.Option(help="Write all rows of the bill (CSV).", metavar="FILE")] = None,
) -> None:
    """Show one tariff in plain words; with --picture as a calendar, with --load as the bill of a load."""
    from crestfall import report
    from crestfall.scenario import load_tariff

    if bill is not None and load is None:
        raise InputError("--bill is the bill of a load\n    add --load")
    if year is not None and load is not None:
        raise InputError("--year together with --load, whose data have a year of their own\n    leave one of them out")
    if picture is not None:
        report.checked_picture_kind(picture)
    sheet, width = load_tariff(file), Console().width
    parts, written = ["\n".join(report.tariff_words(sheet.file, width=width))], []
    rates = None
    if load is not None:
        billed = report.bill_load(
            sheet, load, zone=zone, column=column, unit=unit.value, power_factor_frac=power_factor
        )
        rates = billed.rates
        parts.append(report.bill_text(billed, width=width))
        if bill is not None:
            report.write_bill(billed, bill)
            written.append(f"wrote {bill}")
    if picture is not None:
        if rates is None:
            rates = report.lay_year(sheet, year=year, zone=zone, step_min=step_min)
        report.write_tariff_picture(rates, picture)
        written.append(f"wrote {picture}")
    typer.echo("\n\n".join([*parts, *filter(None, ["\n".join(written)])]))


@app.command()
def meter(
    files: Annotated[list[Path], typer.Argument(help="Meter files of one metering point.", metavar="FILE...")],
    zone: Annotated[str | None, typer.Option(help="Time zone of the site, such as Europe/Lisbon.")] = None,
    clock: Annotated[
        str | None, typer.Option(help="Clock of the stamps, if another: UTC, UTC+01:00 or a zone.", metavar="ZONE")
    ] = None,
    stamp: Annotated[StampEnd | None, typer.Option(help="Which end of its interval a stamp marks.")] = None,
    date_order: Annotated[DateOrder | None, typer.Option(help="Order of day, month and year.")] = None,
    unit: Annotated[MeterUnit | None, typer.Option(help="Unit of the values.")] = None,
    values: Annotated[ValueKind | None, typer.Option(help="Values of each interval, or a register's readings.")] = None,
    time_column: Annotated[
        list[str] | None, typer.Option(help="Column with the stamps; twice: with dates, with times of day.")
    ] = None,
    load_column: Annotated[str | None, typer.Option(help="Column with what the site takes from the grid.")] = None,
    export_column: Annotated[str | None, typer.Option(help="Column with what the site gives to the grid.")] = None,
    delimiter: Annotated[str | None, typer.Option(help="Mark between columns.")] = None,
    decimal: Annotated[DecimalMark | None, typer.Option(help="Decimal mark.")] = None,
    header_lines: Annotated[int | None, typer.Option(help="Lines before the data.", min=0)] = None,
    encoding: Annotated[str | None, typer.Option(help="Encoding of a text file.")] = None,
    sheet: Annotated[str | None, typer.Option(help="Sheet of a workbook.")] = None,
    point: Annotated[str | None, typer.Option(help="Metering point, where a file holds several.")] = None,
    repair: Annotated[
        list[str] | None,
        typer.Option(help="A repair that is allowed; keys as in a scenario's repairs.", metavar="KEY=VALUE"),
    ] = None,
    from_month: Annotated[
        str | None, typer.Option("--from", help="Year, or first of the twelve months to take.", metavar="YEAR[-MONTH]")
    ] = None,
    allow_partial: Annotated[bool, typer.Option("--allow-partial", help="Take data of less than a year.")] = False,
    averaging_min: Annotated[
        int | None, typer.Option(help="Minutes over which the tariff averages demand.", min=1)
    ] = None,
    billed_kwh: Annotated[
        float | None, typer.Option(help="Energy on the bills of the same time, to compare.", min=0.001)
    ] = None,
    step_min: Annotated[int | None, typer.Option(help="Step of the clean file in minutes.")] = None,
    out: Annotated[Path | None, typer.Option(help="Write the clean series (CSV).", metavar="FILE")] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw the load by day and hour (.svg, .png).", metavar="FILE")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print what was found as JSON.")] = False,
) -> None:
    """Read meter files as they come: explain the layout, check, repair what is allowed, write a clean series."""
    from crestfall import report
    from crestfall.series import meter as metering

    if picture is not None:
        report.checked_picture_kind(picture)
    width, repairs = Console().width, report.repairs_from(repair or ())
    said = metering.Said(
        zone=zone,
        clock=clock,
        stamp=None if stamp is None else stamp.value,
        date_order=None if date_order is None else date_order.value,
        unit=None if unit is None else unit.value,
        kind=None if values is None else values.value,
        time_columns=tuple(time_column or ()),
        load_column=load_column,
        export_column=export_column,
        delimiter={"tab": "\t", "\\t": "\t"}.get(delimiter or "", delimiter),
        decimal=None if decimal is None else decimal.value,
        header_lines=header_lines,
        encoding=encoding,
        sheet=sheet,
        point=point,
    )
    try:
        data = metering.read_meter(files, said, repairs)
    except metering.UndecidedError as error:
        typer.echo(_json(report.open_facts(error)) if as_json else report.evidence_text(error.evidence, width=width))
        raise
    notes = report.meter_notes(data, averaging_min=averaging_min, billed_kwh=billed_kwh)
    facts, parts = report.meter_facts(data, notes), [report.meter_text(data, width=width, notes=notes)]
    if picture is not None:
        report.write_meter_picture(data.series, picture)
        parts.append(f"wrote {picture}")
    if out is not None and data.is_whole:
        year = metering.study_year(data.series, wanted=from_month, allow_partial=allow_partial)
        lines = report.write_clean(year, out, step_min=step_min)
        facts["scenario"] = lines
        parts += [lines, f"wrote {out}"]
    typer.echo(_json(facts) if as_json else "\n\n".join(parts))
    if not data.is_whole:
        raise InputError(report.refused_text(data.series))


@app.command()
def options(
    catalogue: Annotated[Path, typer.Argument(help="Catalogue file (YAML).", metavar="CATALOGUE")],
    volts: Annotated[
        float, typer.Option(help="Nominal voltage between phases, for the AC currents.", min=1, max=100_000)
    ] = 400.0,
    csv: Annotated[Path | None, typer.Option(help="Write the table as well (CSV).", metavar="FILE")] = None,
) -> None:
    """List every option that a catalogue allows: power, energy, price, floor, mass and currents."""
    from crestfall import report
    from crestfall.plant import options_table
    from crestfall.scenario import load_catalogue

    parts = load_catalogue(catalogue)
    table = options_table(parts, volts=volts)
    lines = [report.options_text(parts, table, volts=volts)]
    if csv is not None:
        report.write_options(table, csv)
        lines.append(f"wrote {csv}")
    typer.echo("\n\n".join(lines))


@app.command()
def connection(
    scenario: ScenarioPath,
    picture: Annotated[
        Path | None, typer.Option(help="Draw the option as a one-line picture (.svg, .png).", metavar="FILE")
    ] = None,
) -> None:
    """Show what the option asks of its connection and place: currents, apparent power, heat, floor and mass."""
    from crestfall import report
    from crestfall.study import prepare

    if picture is not None:
        report.checked_picture_kind(picture)
    inputs = prepare(crestfall.load_scenario(scenario))
    sheet = report.sheet_of(inputs)
    lines = [report.connection_text(inputs, sheet, width=Console().width)]
    if picture is not None:
        report.write_connection_picture(inputs, sheet, picture)
        lines.append(f"wrote {picture}")
    typer.echo("\n\n".join(lines))


@app.command()
def schema(kind: Annotated[Kind, typer.Argument(help="Kind of file.")] = Kind.SCENARIO) -> None:
    """Print the JSON Schema of a kind of YAML file, for editors that complete and check, or of a summary.json."""
    if kind.value.endswith("-summary"):
        from crestfall.study import summary_schema

        found = summary_schema(cast("SummaryKind", kind.value))
    else:
        from crestfall.scenario import json_schema

        found = json_schema(cast("DocumentKind", kind.value))
    typer.echo(json.dumps(found, indent=2))


class _Progress:
    """Stage names with elapsed time on stderr: a moving line on a terminal, plain lines elsewhere."""

    def __init__(self) -> None:
        # Pyomo takes sys.stderr away while the solver runs; a copy of the descriptor stays ours.
        self._file = os.fdopen(os.dup(2), "w", encoding="utf-8")
        self._console = Console(file=self._file, highlight=False)
        self._began = time.monotonic()
        self._moving = self._console.status("") if self._console.is_terminal else None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()
        self._file.close()

    def stage(self, name: str) -> None:
        """Announce a stage that begins."""
        self._line(name)
        if self._moving is not None:
            self._moving.update(name)
            self._moving.start()

    def end(self, text: str) -> None:
        """Give the terminal's last line back and say how it ended."""
        self._stop()
        self._line(text)

    def _line(self, text: str) -> None:
        self._console.print(f"{time.monotonic() - self._began:6.1f} s  {text}", soft_wrap=True)

    def _stop(self) -> None:
        if self._moving is not None:
            self._moving.stop()


@contextmanager
def _gentle_stop(progress: _Progress) -> Iterator[Callable[[], bool]]:
    """Let the first Ctrl-C ask to stop after what is in hand, and the second end at once."""
    asked, said = threading.Event(), threading.Event()

    def hear(*_: object) -> None:  # writes nothing: it may have come in the middle of a line
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    def is_asked() -> bool:
        if asked.is_set() and not said.is_set():
            said.set()
            progress.stage("stopping after what is in hand; Ctrl-C again ends at once")
        return asked.is_set()

    before = signal.signal(signal.SIGINT, hear)
    try:
        yield is_asked
    finally:
        signal.signal(signal.SIGINT, before)


def _interruptible(work: Callable[[], T]) -> T:
    """Do long work in a second thread, so that Ctrl-C is heard while a solver runs."""
    done: list[T] = []
    failed: list[BaseException] = []

    def attempt() -> None:
        try:
            done.append(work())
        except BaseException as error:  # handed on unchanged to the waiting thread
            failed.append(error)

    thread = threading.Thread(target=attempt, daemon=True)
    thread.start()
    while thread.is_alive():
        thread.join(timeout=0.2)
    if failed:
        raise failed[0]
    return done[0]


def _forms(pdf: bool) -> tuple[str, ...]:
    from crestfall.report import USUAL_FORMS

    return (*USUAL_FORMS, "pdf") if pdf else USUAL_FORMS


def _json(facts: object) -> str:
    return json.dumps(facts, indent=2, ensure_ascii=False)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _span(inputs: "Inputs") -> str:
    series = inputs.series
    first, last = (f"{stamp:%Y-%m-%d}" for stamp in (series.start[0], series.start[-1]))
    site = inputs.scenario.ask.site
    span = f"{series.n_steps:,} steps of {60 * series.step_h:g} min, {first} to {last}, {site.time_zone}"
    return span if site.load_model is None else f"{span}, not metered"


def _screen(result: "Result", out: Path) -> str:
    """Return the answer on one screen."""
    from crestfall.report import life_text, savings_text, unforeseen_text

    inputs, case = result.inputs, result.headline
    plant, policy = inputs.plant, f"by {case.policy}"
    currency = inputs.scenario.ask.money.currency
    payback = "none" if result.payback_years is None else f"{result.payback_years:.1f} years"
    gap_frac = result.hindsight.schedule.gap_frac(result.idle_cost)
    rows = [
        ("bill before", f"{result.before.bill_total:,.0f}", f"{currency}/a", ""),
        *(
            [("best contract", f"{result.reference.bill_total:,.0f}", f"{currency}/a", "without a battery")]
            if result.best_contract
            else []
        ),
        ("bill after", f"{case.bill_total:,.0f}", f"{currency}/a", policy),
        *(_saving_row(result, one) for one in result.cases),
        ("equivalent full cycles", f"{case.use.equivalent_full_cycles:,.0f}", "/a", policy),
        (
            "highest import",
            f"{case.readings.import_kw.max():,.1f}",
            "kW",
            f"before {result.before.import_kw.max():,.1f} kW",
        ),
        *(
            (f"one {more.part} more saves", f"{more.saving:,.0f}", f"{currency}/a", "at the most, by hindsight")
            for more in result.at_most
        ),
        ("capital cost", f"{result.capital:,.0f}", currency, ""),
        ("simple payback", payback.split()[0], payback.partition(" ")[2], policy),
    ]
    return "\n".join(
        [
            f"{inputs.scenario.ask.site.name}   {_span(inputs)}",
            f"  {plant.option}, {plant.rating_kva:,.0f} kVA, {plant.nominal_kwh:,.0f} kWh",
            *(f"  {name:<24}{value:>12} {unit:<6} {note}".rstrip() for name, value, unit, note in rows),
            savings_text(result),
            *filter(None, [unforeseen_text(result), life_text(result)]),
            *(f"  note: {warning}" for warning in result.warnings),
            f"solved by {result.hindsight.schedule.note}, gap {100 * gap_frac:.1g} %",
            f"wrote {out / 'report.html'} ({sum(result.timings_s.values()):.1f} s)",
        ]
    )


def _saving_row(result: "Result", case: "Case") -> tuple[str, str, str, str]:
    saving, before, captured = result.saving(case), result.before.bill_total, result.share_of_hindsight(case)
    share = f"{100 * saving / before:.1f} %, " if before > 0 else ""
    of_ceiling = "" if captured is None or case is result.hindsight else f"{100 * captured:.0f} % of hindsight, "
    currency = result.inputs.scenario.ask.money.currency
    return f"saving by {case.policy}", f"{saving:,.0f}", f"{currency}/a", share + of_ceiling + KNOWS[case.policy]
