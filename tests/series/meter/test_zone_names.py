"""Names of clocks behind times of day, such as CET and CEST."""

import pytest

from crestfall.errors import SeriesError
from crestfall.series.meter import Said, UndecidedError, read_meter
from year_data import csv, local_steps

BERLIN = local_steps("Europe/Berlin")
VALUES = [10.5 + n % 7 for n in range(len(BERLIN))]


def read(folder, stamps, said):
    path = folder / "meter.csv"
    path.write_text(csv(stamps, VALUES, head="time,kW"), encoding="utf-8")
    return read_meter([path], said)


def topics(found):
    return {one.topic: one.value for one in found.evidence}


def test_german_names_are_known(tmp_path):
    names = {"CET": "MEZ", "CEST": "MESZ"}
    found = read(tmp_path, [f"{at:%Y-%m-%d %H:%M} {names[f'{at:%Z}']}" for at in BERLIN], Said(zone="Europe/Berlin"))
    assert topics(found)["names of the clock"] == "MESZ is UTC+02:00, MEZ is UTC+01:00"
    assert found.series.load_kw.tolist() == VALUES
    assert found.is_whole


def test_one_name_all_year_says_nothing(tmp_path):
    """'CET' behind local time of summer is written by habit; behind times that skip no hour it may be meant."""
    said = Said(zone="Europe/Berlin")
    local = read(tmp_path, [f"{at:%Y-%m-%d %H:%M} CET" for at in BERLIN], said)
    assert topics(local)["name of the clock"] == "CET"
    assert topics(local)["clock of the stamps"] == "Europe/Berlin"
    assert (local.series.load_kw.tolist(), local.is_whole) == (VALUES, True)
    fixed = [f"{at:%Y-%m-%d %H:%M} CET" for at in local_steps("Etc/GMT-1")]
    with pytest.raises(UndecidedError) as caught:
        read(tmp_path, fixed, said)
    assert "clock of the stamps" in [question.topic for question in caught.value.questions]


def test_utc_is_utc_everywhere(tmp_path):
    steps = local_steps("UTC")
    found = read(tmp_path, [f"{at:%Y-%m-%d %H:%M} UTC" for at in steps], Said(zone="Asia/Kolkata", stamp="start"))
    assert found.summary.first.isoformat() == "2025-01-01T05:30:00+05:30"


def test_a_clock_that_is_said_counts_more_than_names(tmp_path):
    steps = local_steps("Etc/GMT-1")
    stamps = [f"{at:%Y-%m-%d %H:%M} {'CEST' if 4 <= at.month < 10 else 'CET'}" for at in steps]
    found = read(tmp_path, stamps, Said(zone="Europe/Berlin", clock="UTC+01:00"))
    assert (found.series.load_kw.tolist(), found.is_whole) == (VALUES, True)


def test_without_a_zone_the_zone_is_asked_for(tmp_path):
    with pytest.raises(UndecidedError) as caught:
        read(tmp_path, [f"{at:%Y-%m-%d %H:%M} {at:%Z}" for at in BERLIN], Said())
    assert [question.topic for question in caught.value.questions] == ["zone"]


def test_names_of_another_zone_are_refused(tmp_path):
    stamps = [f"{at:%Y-%m-%d %H:%M} {at:%Z}" for at in local_steps("America/New_York")]
    with pytest.raises(SeriesError, match="found 'EDT' behind a time of day; in Europe/Berlin clocks are called CEST"):
        read(tmp_path, stamps, Said(zone="Europe/Berlin"))
