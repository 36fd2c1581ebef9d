"""Tables as utilities export them: names of meters, units in a column, midnight at the end of its date."""

import datetime as dt

import pytest

from crestfall.errors import SeriesError
from crestfall.series.meter import Said, UndecidedError, read_meter
from year_data import local_steps

BERLIN = local_steps("Europe/Berlin")
VALUES = [10.5 + n % 7 for n in range(len(BERLIN))]
SAID = Said(zone="Europe/Berlin")


def read(folder, text, said=SAID):
    path = folder / "meter.csv"
    path.write_text(text, encoding="utf-8")
    return read_meter([path], said)


def said_of(found):
    return {one.topic: one for one in found.evidence}


@pytest.mark.parametrize("is_stacked", [False, True])
def test_several_meters_in_one_table_are_asked_for_and_read_one_by_one(is_stacked, tmp_path):
    rows = [
        (name, f"{name},{at.isoformat()},{value * times},kWh\n")
        for at, value in zip(BERLIN, VALUES, strict=True)
        for name, times in (("1200012345678", 1), ("1200098765432", 2))
    ]
    rows = sorted(rows, key=lambda row: row[0]) if is_stacked else rows
    text = "meter,time,usage,unit\n" + "".join(row for _, row in rows)
    with pytest.raises(UndecidedError) as caught:
        read(tmp_path, text)
    (question,) = caught.value.questions
    assert question.choices == (
        ("--point '1200012345678'", "8,760 rows"),
        ("--point '1200098765432'", "8,760 rows"),
    )
    found = read(tmp_path, text, Said(zone="Europe/Berlin", point="1200098765432"))
    assert found.series.load_kw.tolist() == [2 * value for value in VALUES]
    assert said_of(found)["unit"].why == "it stands in 'unit: kWh'"
    with pytest.raises(
        SeriesError, match="there is no metering point '17' in 'meter'\n    it holds 1200012345678, 120"
    ):
        read(tmp_path, text, Said(zone="Europe/Berlin", point="17"))


def test_messages_name_the_line_of_the_file_when_a_meter_is_chosen(tmp_path):
    rows = [f"{name},{at.isoformat()},{value}\n" for at, value in zip(BERLIN, VALUES, strict=True) for name in "AB"]
    rows[7] = rows[7].replace(f",{VALUES[3]}", ",high")
    with pytest.raises(SeriesError, match="line 9, column 'kWh': found 'high'"):
        read(tmp_path, "meter,time,kWh\n" + "".join(rows), Said(zone="Europe/Berlin", point="B"))


def test_a_status_that_changes_is_no_meter(tmp_path):
    rows = [
        f"{at.isoformat()},{value},{'AB'[n % 5 == 0]}\n"
        for n, (at, value) in enumerate(zip(BERLIN, VALUES, strict=True))
    ]
    assert read(tmp_path, "time,kWh,status\n" + "".join(rows)).series.load_kw.tolist() == VALUES


def test_midnight_may_stand_at_the_end_of_its_date(tmp_path):
    """The last hour of a day ends at 00:00, written with the date of the day that ends."""
    rows = []
    for at, value in zip(BERLIN, VALUES, strict=True):
        end = (at.astimezone(dt.UTC) + dt.timedelta(hours=1)).astimezone(at.tzinfo)
        rows.append(f"{at:%d.%m.%Y};{end:%H:%M};{value}\n".replace(".5", ",5"))
    found = read(tmp_path, "Datum;Uhrzeit;kWh\n" + "".join(rows))
    assert (found.series.load_kw.tolist(), found.is_whole) == (VALUES, True)
    assert said_of(found)["midnight"].why == "it follows 23:00 of the same date"
    assert said_of(found)["a stamp marks"].value == "the end of its interval"


def test_a_w_above_the_names_is_no_unit(tmp_path):
    rows = "".join(f"{at.isoformat()},{value}\n" for at, value in zip(BERLIN, VALUES, strict=True))
    with pytest.raises(UndecidedError, match="unit: no unit stands in the file"):
        read(tmp_path, "Site,12 W Quay\ntime,usage\n" + rows)
    assert said_of(read(tmp_path, "Unit,kWh\ntime,usage\n" + rows))["unit"].value == "kWh"


@pytest.mark.parametrize("gap", [" ", "'", "\u2019", "\u00a0", "\u202f"])
def test_thousands_are_parted_by_many_marks(gap, tmp_path):
    """1 010,5 W and so on."""
    rows = "".join(
        f"{at.isoformat()};{value + 1000:,.1f}\n".replace(",", gap).replace(".", ",")
        for at, value in zip(BERLIN, VALUES, strict=True)
    )
    found = read(tmp_path, "time;load (W)\n" + rows)
    assert found.series.load_kw.tolist() == pytest.approx([value / 1000 + 1 for value in VALUES])
