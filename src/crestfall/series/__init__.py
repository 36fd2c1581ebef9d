"""Interval data: read, checked and aligned into a :class:`SiteSeries`."""

from crestfall.series._site import SiteSeries, read_site_series

__all__ = ["SiteSeries", "read_site_series"]
