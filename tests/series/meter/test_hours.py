"""Hours that stand as numbers beside the date, as people write them."""

import pytest

from crestfall.errors import SeriesError
from crestfall.series.meter import Said, UndecidedError, read_meter
from year_data import local_steps

BERLIN = local_steps("Europe/Berlin")
VALUES = [10.5 + n % 7 for n in range(len(BERLIN))]


def read(folder, hours, said=None, steps=BERLIN, name="Hour"):
    path = folder / "meter.csv"
    rows = (f"{at:%Y-%m-%d},{hour},{value}\n" for at, hour, value in zip(steps, hours, VALUES, strict=False))
    path.write_text(f"Date,{name},kW\n" + "".join(rows), encoding="utf-8")
    return read_meter([path], said or Said(zone="Europe/Berlin"))


def test_letters_before_and_behind_the_number(tmp_path):
    """In autumn the hour from two to three stands twice, here as 3A and 3B."""
    twice = [f"HE{at.hour + 1:02d}" for at in BERLIN]
    autumn = [n for n, at in enumerate(BERLIN) if (at.month, at.day, at.hour) == (10, 26, 2)]
    twice[autumn[0]], twice[autumn[1]] = "HE03A", "HE03B"
    found = read(tmp_path, twice)
    assert (found.series.load_kw.tolist(), found.is_whole) == (VALUES, True)
    assert found.summary.first.isoformat() == "2025-01-01T00:00:00+01:00"


@pytest.mark.parametrize(("stamp", "first"), [("start", "2025-01-01 00:00"), ("end", "2024-12-31 23:00")])
def test_counted_from_nought_a_stamp_may_be_said_to_mark_the_end(stamp, first, tmp_path):
    found = read(tmp_path, [at.hour for at in BERLIN], Said(zone="Europe/Berlin", clock="Etc/GMT-1", stamp=stamp))
    assert found.series.shown(0) == first


def test_counted_from_one_start_and_end_are_the_same(tmp_path):
    found = read(tmp_path, [at.hour + 1 for at in BERLIN], Said(zone="Europe/Berlin", stamp="end"))
    assert found.series.shown(0) == "2025-01-01 00:00"


def test_columns_that_are_named_need_not_be_recognised(tmp_path):
    said = Said(zone="Europe/Berlin", time_columns=("Date", "x"), load_column="kW")
    assert read(tmp_path, [at.hour + 1 for at in BERLIN], said, name="x").series.load_kw.tolist() == VALUES


def test_a_day_of_25_hours_asks_for_the_zone(tmp_path):
    hours = [n % 25 + 1 for n in range(100)]
    days = [BERLIN[24 * (n // 25)] for n in range(100)]
    with pytest.raises(UndecidedError, match="in which zone are the days of 23 and 25 hours"):
        read(tmp_path, hours, Said(unit="kW"), steps=days)
    with pytest.raises(SeriesError, match=r"line 26, column 'Hour': lies beyond the end of the day in Europe/Berlin"):
        read(tmp_path, hours, steps=days)


def test_a_word_among_the_numbers_is_said_with_its_place(tmp_path):
    hours = [str(at.hour + 1) for at in BERLIN[:480]]
    hours[100] = "noon"
    with pytest.raises(SeriesError, match=r"meter\.csv line 102, column 'Hour': found 'noon', expected the number"):
        read(tmp_path, hours)


def test_a_single_date_does_not_show_how_many_hours_a_day_has(tmp_path):
    """48 numbers may be the half hours of a day, or the quarter hours of half of it."""
    with pytest.raises(SeriesError, match="hours as numbers beside a date need more than one day"):
        read(tmp_path, range(1, 49), Said(zone="Europe/Berlin", load_column="kW"), steps=[BERLIN[0]] * 48)


def test_numbers_that_do_not_divide_a_day(tmp_path):
    said = Said(zone="Europe/Berlin", time_columns=("Date", "Hour"), load_column="kW")
    with pytest.raises(SeriesError, match="column 'Hour' counts from 1 to 23\n    expected 24, 48, 96"):
        read(tmp_path, [n % 23 + 1 for n in range(92)], said)


def test_dates_that_databases_write_as_midnights(tmp_path):
    path = tmp_path / "meter.csv"
    rows = (f"{at:%d/%m/%Y} 00:00:00;{at.hour};{value}\n" for at, value in zip(BERLIN, VALUES, strict=True))
    path.write_text("date;hour;kW\n" + "".join(rows), encoding="utf-8")
    found = read_meter([path], Said(zone="Europe/Berlin"))
    assert (found.series.load_kw.tolist(), found.is_whole) == (VALUES, True)


def test_dates_and_hours_of_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["Date", "Hour", "kW"])
    for at, value in zip(BERLIN, VALUES, strict=True):
        book.active.append([at.replace(hour=0, tzinfo=None), at.hour + 1, value])
    book.save(tmp_path / "meter.xlsx")
    assert read_meter([tmp_path / "meter.xlsx"], Said(zone="Europe/Berlin")).series.load_kw.tolist() == VALUES
