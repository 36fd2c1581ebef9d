"""How the clocks of zones run, and where what they show stands in UTC."""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from crestfall.series.meter import Said, read_meter
from crestfall.series.meter._clock import clock_of, place

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe")


@pytest.mark.parametrize("zone", [*ZONES, "UTC-03:30"])
def test_what_a_clock_shows_in_order_is_placed_where_it_was(zone):
    """A year of half hours; both passes of a repeated time are told apart by the order of the rows."""
    utc_s = np.arange(17520, dtype=np.int64) * 1800 + int(dt.datetime(2025, 1, 1, tzinfo=dt.UTC).timestamp())
    clock = clock_of(zone, int(utc_s[0]), int(utc_s[-1]))
    placed = place(clock.wall_s(utc_s), clock, step_s=1800)
    np.testing.assert_array_equal(placed.utc_s, utc_s)
    assert not placed.skipped.any()
    assert (placed.against, placed.in_favour) == (0, 0 if zone.startswith("UTC") else 2)


@pytest.mark.parametrize("zone", ZONES)
def test_clock_changes_are_those_of_zoneinfo(zone, tmp_path):
    """A year of half hours in local time, written by zoneinfo; Lord Howe changes by half an hour."""
    at, rows = dt.datetime(2025, 1, 1, tzinfo=ZoneInfo(zone)).astimezone(dt.UTC), []
    end = dt.datetime(2026, 1, 1, tzinfo=ZoneInfo(zone)).astimezone(dt.UTC)
    while at < end:
        rows.append(f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M},{1 + len(rows) % 5}\n")
        at += dt.timedelta(minutes=30)
    path = tmp_path / "meter.csv"
    path.write_text("time,kW\n" + "".join(rows), encoding="utf-8")
    found = read_meter([path], Said(zone=zone))
    changes = [change for change in found.series.clock.changes if change.at_s >= found.series.first_s]
    for change in changes[:2]:
        before, after = (
            dt.datetime.fromtimestamp(change.at_s + shift, ZoneInfo(zone)).utcoffset().total_seconds()
            for shift in (-1, 0)
        )
        assert (before, after) == (change.before_s, change.after_s)
    assert found.is_whole
    assert found.summary.n_steps == len(rows) == 17520
