"""Interval data: read, checked and aligned into a :class:`SiteSeries`."""

from crestfall.series._before import SiteBefore, read_before
from crestfall.series._issued import IssuedRows, read_issued
from crestfall.series._read import Column, read_column
from crestfall.series._site import SiteSeries, onto_steps, read_site_series, years_of_load

__all__ = [
    "Column",
    "IssuedRows",
    "SiteBefore",
    "SiteSeries",
    "onto_steps",
    "read_before",
    "read_column",
    "read_issued",
    "read_site_series",
    "years_of_load",
]
