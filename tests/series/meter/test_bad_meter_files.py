"""Files that cannot be read: one clear message with file, line and column, and never a dead machine."""

import gzip
import io
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest

from crestfall.errors import SeriesError
from crestfall.scenario.series_file import Repairs
from crestfall.series.meter import Said, UndecidedError, read_meter, study_year
from crestfall.series.meter import _bytes as limits

SAID = Said(zone="Europe/Lisbon", clock="Europe/Lisbon")
HEAD = "Time,Load kW\n"
GOOD = [f"2025-01-{1 + n // 24:02d} {n % 24:02d}:00,{10 + n % 7}.5\n" for n in range(96)]


def refusal(folder: Path, content: str | bytes, said: Said = SAID, name: str = "meter.csv") -> str:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(SeriesError) as caught:
        read_meter([path], said)
    return str(caught.value).replace(str(folder), "FOLDER")


def changed(row: int, line: str) -> str:
    return HEAD + "".join([*GOOD[:row], line, *GOOD[row + 1 :]])


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        pytest.param("", "FOLDER/meter.csv: the file is empty\n    expected meter data", id="empty"),
        pytest.param(" \n\n", "FOLDER/meter.csv: holds nothing but blanks\n", id="blank"),
        pytest.param(
            bytes(range(1, 256)) * 40, "FOLDER/meter.csv: is not text (it holds control bytes)\n", id="binary"
        ),
        pytest.param(
            changed(5, "2025-01-01 05:00,high\n"),
            "FOLDER/meter.csv line 7, column 'Load kW': found 'high', expected a number (1 such cell)\n"
            "    leave a cell without a value empty",
            id="text among numbers",
        ),
        pytest.param(
            changed(5, "2025-01-35 05:00,1.5\n"),
            "FOLDER/meter.csv line 7, column 'Time': '2025-01-35 05:00' is not a time stamp (1 such row)\n"
            "    correct or delete it; where day and month are the other way round, give --date-order",
            id="no date",
        ),
        pytest.param(
            HEAD + "".join(f"2025-01-{1 + n // 24:02d} {n % 24:02d}:00,0\n" for n in range(96)),
            "FOLDER/meter.csv: all 96 values are zero\n    is it the right column, the right meter?",
            id="all zeros",
        ),
        pytest.param(
            HEAD + "".join(f"2025-01-01 00:00:{n:02d}Z,{n}.5\n" for n in range(50)),
            "FOLDER/meter.csv: the rows are mostly 0.0166667 minutes apart\n",
            id="seconds",
        ),
        pytest.param(
            HEAD + "".join(f"2025-01-{1 + n:02d},{10 * n % 7}.5\n" for n in range(28)),
            "FOLDER/meter.csv: the rows are mostly 1440 minutes apart\n",
            id="days",
        ),
        pytest.param(
            HEAD
            + "".join(f"2025-01-{1 + n // 24:02d} {n % 24:02d}:00+0{n % 3}:00,{10 + n % 7}.5\n" for n in range(96)),
            "FOLDER/meter.csv: zones are mixed: the UTC offset changes 95 times",
            id="mixed offsets",
        ),
        pytest.param(
            changed(5, "2025-01-01 05:00+01:00,1.5\n"),
            "FOLDER/meter.csv: the stamp 2025-01-01 05:00 in row 6 of the data has a UTC offset",
            id="some with an offset",
        ),
        pytest.param("a,b\nc,d\n", "FOLDER/meter.csv: no mark between columns leaves dates and numbers\n", id="words"),
        pytest.param(
            "<html><body>log in</body></html>", "FOLDER/meter.csv: is XML or HTML, but no Green Button", id="html"
        ),
        pytest.param(b"PAR1 nothing", "FOLDER/meter.csv: is no Parquet file: ", id="parquet"),
        pytest.param(b"PK\x03\x04 nothing", "FOLDER/meter.csv: the archive is damaged\n", id="zip"),
        pytest.param(b"\x1f\x8b nothing", "FOLDER/meter.csv: the archive is damaged\n", id="gzip"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_place(content, expected, tmp_path):
    assert refusal(tmp_path, content).startswith(expected)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings_are_told_by_their_marks(encoding, tmp_path):
    path = tmp_path / "meter.csv"
    path.write_bytes(("Zähler\nZeit,Bezug für kW\n" + "".join(GOOD)).encode(encoding))
    found = read_meter([path], SAID)
    assert found.summary.n_steps == 96
    assert any(one.topic == "load" and "für" in one.value for one in found.evidence)


def test_a_delimiter_is_one_mark(tmp_path):
    text = refusal(tmp_path, HEAD + "".join(GOOD), Said(zone="UTC", delimiter=";;"))
    assert text == "--delimiter ;;: found 2 marks, expected one, or tab"


def test_a_wrong_encoding_names_the_byte(tmp_path):
    text = refusal(tmp_path, ("ä" + HEAD + "".join(GOOD)).encode("cp1252"), Said(zone="UTC", encoding="utf-8"))
    assert text == "FOLDER/meter.csv: byte 0 is not utf-8\n    give its encoding, for example --encoding cp1252"


def test_an_xml_bomb_is_not_opened(tmp_path):
    bomb = '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "xxxxxxxx"><!ENTITY c "&b;&b;&b;&b;">]>'
    bomb += '<feed xmlns="http://naesb.org/espi">&c;<IntervalBlock/></feed>'
    assert refusal(tmp_path, bomb).startswith("FOLDER/meter.csv: the XML declares entities")


def test_broken_xml_is_said_with_line_and_column(tmp_path):
    text = '<feed xmlns="http://naesb.org/espi">\n<IntervalBlock></feed>'
    assert refusal(tmp_path, text).startswith("FOLDER/meter.csv line 2, column 17: is no XML")


@pytest.mark.parametrize("pack", ["gzip", "zip"])
def test_a_bomb_is_unpacked_no_further_than_the_limit(pack, tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "LARGEST_BYTES", 3 << 20)
    data = bytes(16 << 20)
    if pack == "gzip":
        packed = gzip.compress(data)
    else:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("meter.csv", data)
        packed = buffer.getvalue()
    assert len(packed) < 100_000
    assert "unpacks to more than 3 MB" in refusal(tmp_path, packed)


def test_a_file_of_five_gigabytes_is_refused_with_its_size(tmp_path):
    path = tmp_path / "meter.csv"
    path.touch()
    os.truncate(path, 5 * 1024**3)  # sparse: it takes no room
    with pytest.raises(SeriesError, match=r"5\.0 GB are too much to read at once"):
        read_meter([path], SAID)


def test_a_folder_or_no_file(tmp_path):
    for path, reason in ((tmp_path, "is a folder"), (tmp_path / "none.csv", "cannot be read: No such file")):
        with pytest.raises(SeriesError, match=reason):
            read_meter([path], SAID)


def test_time_going_backwards_names_the_line(tmp_path):
    path = tmp_path / "meter.csv"
    path.write_text(HEAD + "".join([*GOOD[:10], GOOD[11], GOOD[10], *GOOD[12:]]), encoding="utf-8")
    (refused,) = read_meter([path], SAID).series.open_defects
    assert (refused.kind, refused.first) == ("rows out of order", "2025-01-01 10:00 (line 13)")


def test_half_a_year_is_no_year_unless_that_is_allowed(tmp_path):
    path = tmp_path / "meter.csv"
    path.write_text(HEAD + "".join(GOOD), encoding="utf-8")
    series = read_meter([path], SAID).series
    with pytest.raises(SeriesError, match=r"hold 4.0 days from 2025-01-01 00:00 on, and no twelve whole months"):
        study_year(series, wanted=None)
    assert study_year(series, wanted=None, allow_partial=True) is series


def test_thirteen_months_ask_for_a_choice(tmp_path):
    stamps = np.arange("2024-12-01T00:00", "2026-01-01T00:00", 60, dtype="datetime64[m]")
    path = tmp_path / "meter.csv"
    path.write_text(HEAD + "".join(f"{at},{n % 9}.5\n" for n, at in enumerate(stamps)), encoding="utf-8")
    series = read_meter([path], Said(zone="UTC")).series
    with pytest.raises(SeriesError, match="the data hold 396 days; which twelve months\\?\n    --from 2025-01"):
        study_year(series, wanted=None)
    year = study_year(series, wanted="2024-12")
    assert (year.shown(0), len(year.load_kw)) == ("2024-12-01 00:00", 8760)


@pytest.mark.parametrize(
    ("content", "said", "options"),
    [
        pytest.param(
            "Time,kW\n" + "".join(f"01/02/2025 {h:02d}:00,{h}.5\n{''}" for h in range(24)),
            Said(zone="UTC", kind="interval"),
            ["--date-order mdy", "--date-order dmy"],
            id="a single day",
        ),
        pytest.param(
            "Time,x\n" + "".join(GOOD),
            SAID,
            ["--unit kW", "--unit kWh", "--unit W", "--unit Wh"],
            id="no unit",
        ),
        pytest.param(
            "Time,kW\n" + "".join(GOOD[5:50]), SAID, ["--stamp start", "--stamp end"], id="from five o'clock on"
        ),
        pytest.param(
            "Time,kW a,kW b\n" + "".join(line.replace("\n", ",3\n") for line in GOOD),
            SAID,
            ["--load-column 'kW a'", "--load-column 'kW b'"],
            id="two columns",
        ),
        pytest.param(
            "Time;kW\n" + "".join(f"{line[:16]};{1 + n % 8},{n:03d}\n" for n, line in enumerate(GOOD)),
            SAID,
            ["--decimal .", "--decimal ,"],
            id="three digits behind the comma",
        ),
        pytest.param(
            "Time,kW\n" + "".join(GOOD),
            Said(zone="Europe/Berlin"),
            ["--clock Europe/Berlin", "--clock UTC+01:00", "--clock UTC"],
            id="no clock change in the data",
        ),
    ],
)
def test_what_is_open_is_asked_with_the_options_to_give(content, said, options, tmp_path):
    path = tmp_path / "meter.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(UndecidedError) as caught:
        read_meter([path], said)
    (question,) = caught.value.questions
    assert [option for option, _ in question.choices] == options


def test_repairs_of_a_file_are_listed(tmp_path):
    path = tmp_path / "meter.csv"
    path.write_text(HEAD + "".join([*GOOD[:20], *GOOD[23:]]), encoding="utf-8")
    found = read_meter([path], SAID, Repairs(gaps="interpolate"))
    assert found.is_whole
    (one,) = found.series.defects
    assert (one.steps, one.first, one.done) == (3, "2025-01-01 20:00", "on a line between the steps beside")
