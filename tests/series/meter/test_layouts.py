"""Any series, written in any of the layouts, is read back exactly or answered with a question; never wrong."""

import contextlib
import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from meter_files import LAYOUTS, Layout, Series, in_unit, written

from crestfall.series.meter import MeterData, Said, UndecidedError, read_meter

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Adelaide", "Asia/Kolkata")
# Days beside clock changes of one of the zones, days whose order is open, and the turn of a year.
FIRST_DAYS = ((2024, 3, 9), (2024, 3, 30), (2024, 4, 6), (2024, 10, 26), (2024, 11, 2), (2025, 1, 2), (2024, 12, 31))


@st.composite
def series(draw):
    zone = draw(st.sampled_from(ZONES))
    first = dt.datetime(*draw(st.sampled_from(FIRST_DAYS)), tzinfo=ZoneInfo(zone))
    days = draw(st.integers(2, 15))  # numbers of intervals beside a single date say too little
    end = (first + dt.timedelta(days=days)).astimezone(dt.UTC)
    step_min = draw(st.sampled_from((15, 30, 60)))
    first = first.astimezone(dt.UTC)
    n_steps = round((end - first) / dt.timedelta(minutes=step_min))
    seed, base = draw(st.integers(0, 2**32)), draw(st.sampled_from((0.0, 30.0, 1500.0)))
    values = base + np.random.default_rng(seed).integers(1, 90000, n_steps) / 100
    return Series(zone=zone, first=first, step_min=step_min, load_kw=tuple(values.tolist()))


def read(folder: Path, data: bytes, said: Said) -> MeterData:
    path = folder / "meter.csv"
    path.write_bytes(data)
    return read_meter([path], said)


def is_it(found: MeterData, wanted: Series, layout: Layout) -> bool:
    """Whether a series is the one that was written, but for the digits that were cut off."""
    cut = 0.5 * 10.0**-layout.decimals / abs(in_unit(1.0, layout, wanted))
    if layout.kind == "register":
        cut = 2 * 10.0**-layout.decimals / abs(in_unit(1.0, layout, wanted))
    series, first_s = found.series, int(wanted.first.timestamp())
    return (
        (series.first_s, series.step_s, len(series.load_kw)) == (first_s, 60 * wanted.step_min, len(wanted.load_kw))
        and not series.open_defects
        and np.allclose(series.load_kw, wanted.load_kw, rtol=1e-12, atol=cut * (1 + 1e-6))
    )


def assert_right(folder: Path, data: bytes, said: Said, wanted: Series, layout: Layout) -> None:
    """A day of 25 hours does not fit 24 columns: there, and only there, a refusal is right as well."""
    found = read(folder, data, said)
    if layout.columns == "days" and layout.clock == "local" and found.series.open_defects:
        assert [one.kind for one in found.series.open_defects] == ["repeated hour that stands once"]
    else:
        assert is_it(found, wanted, layout)


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
@given(wanted=series())
@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_series_is_read_back_or_asked_about_and_read_back_once_all_is_said(layout, wanted, tmp_path):
    data = written(wanted, layout)
    assert_right(tmp_path, data, Said(**layout.truth(wanted)), wanted, layout)
    # A question is the only other answer that is right.
    with contextlib.suppress(UndecidedError):
        assert_right(tmp_path, data, Said(zone=wanted.zone), wanted, layout)


def whole_year(step_min: int = 60) -> Series:
    zone = "Europe/Berlin"
    first = dt.datetime(2025, 1, 1, tzinfo=ZoneInfo(zone)).astimezone(dt.UTC)
    n_steps = 365 * 24 * 60 // step_min
    values = np.random.default_rng(9).integers(5000, 90000, n_steps) / 100
    return Series(zone=zone, first=first, step_min=step_min, load_kw=tuple(values.tolist()))


@pytest.mark.parametrize("layout", LAYOUTS, ids=repr)
def test_a_whole_year_leaves_few_questions(layout, tmp_path):
    """A year holds days beyond the 12th and both clock changes: what is open is what no file can say."""
    wanted = whole_year()
    open_topics: set[str] = set()
    try:
        assert_right(tmp_path, written(wanted, layout), Said(zone=wanted.zone), wanted, layout)
    except UndecidedError as error:
        open_topics = {question.topic for question in error.questions}
    expected: set[str] = set()
    if layout.clock in ("utc", "standard"):
        expected |= {"clock of the stamps"}
    if layout.clock == "utc":
        expected |= {"a stamp marks"}
    if layout.head == "none":
        expected |= {"unit"}
    if layout.decimals == 3 and layout.kind == "interval":
        expected |= {"decimal mark"}  # 123.456 in every row may be a hundred thousand
    assert open_topics <= expected
    if "unit" in expected:
        assert "unit" in open_topics
