"""Write a finished study into a folder, and its report again from what it left there."""

import time
from collections.abc import Callable, Iterable
from pathlib import Path

from ruamel.yaml import YAML

from crestfall.errors import OutputError
from crestfall.report._folder import changed_folder, finished_folder, result_folder, writing
from crestfall.report._forms import USUAL_FORMS, page_name, write_forms, write_json
from crestfall.report._words import check_language, speaking
from crestfall.study import ARCHIVE, CompareFolder, Comparison, Result, Study, SweepResult, archive_bytes, read_archive


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


def write_comparison(comparison: Comparison, target: str | Path, *, force: bool = False) -> Path:
    """
    Write a comparison into a folder of its own, or the one in which it kept its options.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    target : str or Path
        The folder; it appears whole or not at all. What was kept there stays, unless it is replaced with a result.
    force : bool, default=False
        Whether an older result may be replaced.

    Returns
    -------
    Path
        The page, ``compare.html``.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    path = Path(target)
    has_parts_only = CompareFolder(path).exists and not (path / "summary.json").exists()
    with finished_folder(path) if has_parts_only else result_folder(path, force=force) as folder:
        fill_comparison(comparison, folder)
    return Path(target) / "compare.html"


def fill_folder(
    result: Result, folder: Path, forms: Iterable[str] = USUAL_FORMS, *, paper: str = "a4", language: str = "en"
) -> None:
    """
    Write all files of a study into an empty folder; equal studies give equal bytes but for ``timings.json``.

    Parameters
    ----------
    result : Result
        The study.
    folder : Path
        An empty folder.
    forms : iterable of str, optional
        Forms of its report.
    paper : {"a4", "letter"}, default="a4"
        Size of a PDF's pages.
    language : str, default="en"
        One of `languages`.
    """
    began = time.perf_counter()
    _fill(result, folder, forms, paper, language)
    with writing():
        with (folder / "inputs.yaml").open("w", encoding="utf-8") as file:
            YAML().dump(result.inputs.scenario.resolved(), file)
        seconds = result.timings_s | {"drawing and writing": time.perf_counter() - began}
        write_json(folder / "timings.json", {"seconds": seconds})


def fill_comparison(
    comparison: Comparison, folder: Path, forms: Iterable[str] = USUAL_FORMS, *, paper: str = "a4", language: str = "en"
) -> None:
    """
    Write all files of a comparison into an empty folder; equal comparisons give equal bytes.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    folder : Path
        An empty folder.
    forms : iterable of str, optional
        Forms of its report.
    paper : {"a4", "letter"}, default="a4"
        Size of a PDF's pages.
    language : str, default="en"
        One of `languages`.
    """
    _fill(comparison, folder, forms, paper, language)


def fill_sweep(
    result: SweepResult, folder: Path, forms: Iterable[str] = USUAL_FORMS, *, paper: str = "a4", language: str = "en"
) -> None:
    """
    Write page, figures and summary of a sweep beside its table.

    Parameters
    ----------
    result : SweepResult
        The sweep.
    folder : Path
        The folder of the sweep.
    forms : iterable of str, optional
        Forms of its report.
    paper : {"a4", "letter"}, default="a4"
        Size of a PDF's pages.
    language : str, default="en"
        One of `languages`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    try:
        _fill(result, folder, forms, paper, language)
    except OSError as error:
        raise OutputError(
            f"--out {folder}: figures cannot be written: {error.strerror}\n"
            "    the table is there; --resume draws them again"
        ) from None


def rewrite_report(
    folder: str | Path,
    *,
    forms: Iterable[str] = USUAL_FORMS,
    paper: str = "a4",
    language: str = "en",
    out: str | Path | None = None,
    force: bool = False,
    on_stage: Callable[[str], None] | None = None,
) -> Path:
    """
    Make the report of a finished study again, from what it left; nothing is solved.

    Parameters
    ----------
    folder : str or Path
        The folder of a finished run, comparison or sweep.
    forms : iterable of str, optional
        Forms to make; other files stay as they are.
    paper : {"a4", "letter"}, default="a4"
        Size of a PDF's pages.
    language : str, default="en"
        One of `languages`.
    out : str or Path, optional
        Another folder for them; left out: that of the study, which is changed as a whole or not at all.
    force : bool, default=False
        Whether an older result in the other folder may be replaced.
    on_stage : callable, optional
        Called with what is being done.

    Returns
    -------
    Path
        Where the page stands, or would.

    Raises
    ------
    InputError
        If the folder holds no study, or one of another version, or the language is not known.
    OutputError
        If the files cannot be written.
    """
    check_language(language)
    tell = on_stage or (lambda _: None)
    tell("reading the study")
    study = read_archive(folder)
    place = changed_folder(Path(folder)) if out is None else result_folder(Path(out), force=force)
    with place as draft:
        tell("drawing figures and writing the report")
        with writing(), speaking(language):
            write_forms(study, draft, forms, paper=paper)
    return Path(folder if out is None else out) / page_name(study)


def _fill(study: Study, folder: Path, forms: Iterable[str], paper: str, language: str) -> None:
    with writing():
        with speaking(language):
            write_forms(study, folder, forms, paper=paper)
        (folder / ARCHIVE).write_bytes(archive_bytes(study))
