"""Figures as bytes, and single files that a user asks for by name."""

import io
from pathlib import Path

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from crestfall.errors import OutputError
from crestfall.report import _style as style
from crestfall.report._svg import shortened
from crestfall.study import Life

PICTURE_KINDS = ("svg", "png")


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """Return a figure as the content of an SVG or PNG file, the same bytes for the same figure."""
    buffer = io.BytesIO()
    metadata = {"Date": None} if kind == "svg" else {"Software": None}
    with style.house_style():
        style.fit_to_reader(figure)
        figure.savefig(buffer, format=kind, metadata=metadata)
    content = buffer.getvalue()
    return shortened(content) if kind == "svg" else content


def checked_picture_kind(path: Path) -> str:
    """
    Return the kind of picture that a file name asks for.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        The ending, svg or png.

    Raises
    ------
    OutputError
        If the name ends otherwise.
    """
    kind = path.suffix.lower().removeprefix(".")
    if kind not in PICTURE_KINDS:
        raise OutputError(
            f"--picture {path}: found the ending '{path.suffix}'\n    name a file that ends in .svg or .png"
        )
    return kind


def write_picture(ax: Axes, path: Path) -> None:
    """
    Write the figure of some axes.

    Parameters
    ----------
    ax : Axes
        The only axes of a figure, but for a colour bar.
    path : Path
        A file whose name ends in .svg or .png; an older one is replaced.

    Raises
    ------
    OutputError
        If the name ends otherwise, or the file cannot be written.
    """
    kind = checked_picture_kind(path)
    figure = ax.figure
    assert isinstance(figure, Figure)  # noqa: S101 -- tells the type checker; it is a figure of its own
    write_asked(path, figure_bytes(figure, kind), asked_by="--picture")


def life_tables(life: Life) -> dict[str, pd.DataFrame]:
    """
    Return the years of life, their cash, offers and the margins of the warranties, in the currency of the scenario.

    Parameters
    ----------
    life : Life
        The years.

    Returns
    -------
    dict of str to DataFrame
        ``years``, ``cashflow`` and, with other offers or a warranty, ``offers`` and ``warranty``.
    """
    tables = {"years": life.years_frame(), "cashflow": life.appraisal.frame}
    if len(life.offers) > 1 or life.offers[0].seller_cash is not None:
        tables["offers"] = life.offers_frame()
    if life.warranties:
        tables["warranty"] = life.warranty_frame()
    return tables


def write_asked(path: Path, content: bytes, *, asked_by: str) -> None:
    """
    Write a file, an older one is replaced.

    Parameters
    ----------
    path : Path
        The file.
    content : bytes
        What it shall hold.
    asked_by : str
        The option of the command line that named it, for the message.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    try:
        path.write_bytes(content)
    except OSError as error:
        raise OutputError(
            f"{asked_by} {path}: cannot be written: {error.strerror}\n    check folder and permissions"
        ) from None
