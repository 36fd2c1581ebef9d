"""Interval data: read, checked and aligned into a :class:`SiteSeries`."""

from crestfall.series._read import Column, read_column
from crestfall.series._site import SiteSeries, onto_steps, read_site_series, years_of_load

__all__ = ["Column", "SiteSeries", "onto_steps", "read_column", "read_site_series", "years_of_load"]
