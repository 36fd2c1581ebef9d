"""What a notebook shows of a study: a small table, no styles, no scripts."""

import html
from collections.abc import Sequence

import pandas as pd


def rows_html(title: str, rows: Sequence[tuple[str, str]]) -> str:
    """
    Return names and figures as a table.

    Parameters
    ----------
    title : str
        What is above it.
    rows : sequence of tuple of str
        Name and figure.

    Returns
    -------
    str
        HTML; whatever the words hold is text in it.
    """
    cells = "".join(
        f'<tr><th scope="row" style="text-align:left">{html.escape(name)}</th><td>{html.escape(value)}</td></tr>'
        for name, value in rows
    )
    return f"<table><caption>{html.escape(title)}</caption><tbody>{cells}</tbody></table>"


def frame_html(title: str, frame: pd.DataFrame) -> str:
    """
    Return a frame under a sentence.

    Parameters
    ----------
    title : str
        The sentence.
    frame : DataFrame
        The frame; numbers are shown with thousands apart.

    Returns
    -------
    str
        HTML; whatever the words hold is text in it.
    """
    table = frame.to_html(float_format=lambda value: f"{value:,.2f}", border=0, na_rep="–")
    return f"<p>{html.escape(title)}</p>{table}"
