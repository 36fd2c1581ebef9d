"""Eight metered German loads, three options each: what the plan promises, the true plant keeps."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

import open_data
from crestfall.scenario import load_scenario
from crestfall.study import run

# Trade, farms and industry of different habits, each scaled to the same peak; in hours, for speed.
PROFILES = ("G1-A", "G2-A", "G3-A", "G4-B", "G5-A", "G6-A", "L1-A", "mv_comm")
# Racks and modules: little energy for the power, the demo's, and much.
OPTIONS = ((2, 4), (4, 3), (8, 4))
PEAK_KW = 400.0
# As promised: 1 % of the saving; 1 kW or 0.3 % of each billed peak.
SAVING_FRAC, PEAK_KW_OFF, PEAK_FRAC_OFF = 0.01, 1.0, 0.003
DATA = Path(__file__).parent.parent / "data"
SCENARIO = """\
crestfall_scenario: 1
question: Does the plant keep what the plan promises?
site:
  name: Trade load {profile}
  time_zone: Europe/Berlin
  load: {{file: site.csv, column: load_kw, unit: kW}}
tariff: tariff.yaml
catalogue: catalogue.yaml
option: {{racks: {racks}, modules: {modules}}}
money: {{currency: EUR, installation_cost: 0}}
dispatch: {{wear_per_kwh: 0.02}}
"""


def write_hours(folder: Path, profile: str, option: tuple[int, int]) -> Path:
    """Write a scenario on the hours of a profile with the demo's catalogue and tariff; return its path."""
    hours = open_data.simbench_load_kw(profile, PEAK_KW).tz_convert("UTC").resample("1h").mean()
    hours = hours.tz_convert("Europe/Berlin")
    table = pd.DataFrame({"load_kw": hours.to_numpy()}, index=[stamp.isoformat() for stamp in hours.index])
    table.to_csv(folder / "site.csv", index_label="time", float_format="%.4f", lineterminator="\n")
    tariff = (DATA / "tariffs" / "klitlys_seasonal.yaml").read_text(encoding="utf-8")
    tariff = tariff.replace("valid_from: 2025-01-01", "valid_from: 2016-01-01")
    tariff = tariff.replace("averaging_min: 15", "averaging_min: 60")
    (folder / "tariff.yaml").write_text(tariff, encoding="utf-8")
    shutil.copy(DATA / "catalogue" / "kvader.yaml", folder / "catalogue.yaml")
    text = SCENARIO.format(profile=profile, racks=option[0], modules=option[1])
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    return folder / "scenario.yaml"


@pytest.mark.slow
@pytest.mark.skipif(not open_data.package("simbench").is_fetched, reason="run python tests/open_data.py simbench")
@pytest.mark.parametrize("option", OPTIONS, ids=lambda option: f"{option[0]} racks and {option[1]} modules")
@pytest.mark.parametrize("profile", PROFILES)
def test_replay_keeps_saving_and_peaks_of_the_plan(tmp_path, profile, option):
    result = run(load_scenario(write_hours(tmp_path, profile, option)))
    planned = result.planned_saving(result.hindsight)
    assert planned > 0
    assert result.saving(result.hindsight) == pytest.approx(planned, rel=SAVING_FRAC)
    peaks = result.peaks(result.hindsight)
    assert len(peaks) == 24  # two charges in twelve months
    for peak in peaks:
        assert peak.replayed == pytest.approx(peak.planned, rel=PEAK_FRAC_OFF, abs=PEAK_KW_OFF), peak
