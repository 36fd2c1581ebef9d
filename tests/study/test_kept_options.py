"""Options of a comparison are kept as they come, and what goes on after a stop ends with the same bytes."""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from compared_site import joinery
from crestfall import compare, load_scenario
from crestfall.errors import InfeasibleError, OutputError
from crestfall.study import CompareFolder, OptionFigures, archive_bytes
from crestfall.study._option_figures import figures_of
from hourly_site import WITH_PV, write_hourly_site

OPTIONS = {"racks": (1, 2), "modules": (1, 2), "draws": 0, "workers": 0}
ALL_OPTIONS = 5  # with no battery
INTERRUPTED = 130
START = "from crestfall.cli import main\nif __name__ == '__main__':\n    main()\n"


@pytest.fixture(scope="module")
def undisturbed():
    """The archive of a comparison that kept nothing."""
    return archive_bytes(compare(joinery(), **OPTIONS))


def parts_in(out: Path) -> list[Path]:
    return sorted((out / "parts").glob("*.parquet")) if (out / "parts").is_dir() else []


def kept_in(out: Path) -> pd.DataFrame:
    return pd.concat([pd.read_parquet(one) for one in parts_in(out)], ignore_index=True)


def stopped(out: Path, after: int) -> None:
    """Stop a comparison after so many options."""
    asked = iter([False] * after)
    with pytest.raises(KeyboardInterrupt):
        compare(joinery(), **OPTIONS, out=out, is_stopped=lambda: next(asked, True))


def test_going_on_studies_only_what_is_missing(undisturbed, tmp_path):
    out, said = tmp_path / "out", []
    stopped(out, after=3)
    before = {one.name: one.read_bytes() for one in parts_in(out)}
    assert len(before) == 3
    found = compare(joinery(), **OPTIONS, out=out, resume=True, on_stage=said.append)
    assert archive_bytes(found) == undisturbed
    assert "studying 5 options, 3 of them done already" in said
    assert any(line.startswith("2 of 2 options") for line in said)
    assert {name: (out / "parts" / name).read_bytes() for name in before} == before
    assert kept_in(out)["case"].nunique() == len(parts_in(out)) == ALL_OPTIONS


def test_a_comparison_that_is_killed_at_any_moment_goes_on_where_it_was(undisturbed, tmp_path):
    """A child process compares, is killed by SIGKILL after a random time, and the next one goes on."""
    chance, out, scenario, kept = random.Random(5), tmp_path / "out", joinery(), [0]
    for _ in range(6):
        child = os.fork()
        if child == 0:  # it shares nothing with the parent but the folder
            try:
                compare(scenario, **OPTIONS, out=out, resume=True)
            finally:
                os._exit(0)
        time.sleep(chance.uniform(0.2, 0.8))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        kept.append(len(parts_in(out)))
    assert kept == sorted(kept), "nothing that was kept is lost"
    assert archive_bytes(compare(scenario, **OPTIONS, out=out, resume=True)) == undisturbed
    assert kept_in(out)["case"].is_unique, "nothing is studied twice once it is on the disk"


def test_a_damaged_part_is_studied_again_and_said(undisturbed, tmp_path):
    out, said = tmp_path / "out", []
    compare(joinery(), **OPTIONS, out=out)
    first, second, *_ = parts_in(out)
    first.write_bytes(first.read_bytes()[:200])
    content = bytearray(second.read_bytes())
    content[content.index(b"study.json") + 20] ^= 0xFF  # inside a page, which its checksum tells
    second.write_bytes(content)
    found = compare(joinery(), **OPTIONS, out=out, resume=True, on_stage=said.append)
    assert archive_bytes(found) == undisturbed
    notes = [f"part-{number:06d}.parquet is damaged: its options are computed again" for number in (1, 2)]
    assert [line for line in said if "damaged" in line] == notes


def test_an_option_that_failed_is_tried_again(undisturbed, tmp_path, monkeypatch):
    def short_of_memory(inputs, reference, **more) -> OptionFigures:
        if inputs.plant.option.racks == 2:
            raise MemoryError
        return figures_of(inputs, reference, **more)

    with monkeypatch.context() as patch:
        patch.setattr("crestfall.study._option_figures.figures_of", short_of_memory)
        first = compare(joinery(), **OPTIONS, out=tmp_path / "out")
    assert [why for _, why in first.refused] == ["out of memory"] * 2
    assert archive_bytes(compare(joinery(), **OPTIONS, out=tmp_path / "out", resume=True)) == undisturbed


def test_a_refusal_is_kept(tmp_path, monkeypatch):
    def refused(*_args, **_more) -> OptionFigures:
        raise InfeasibleError("site.import_limit_kw 60 cannot be kept\n    raise it")

    with monkeypatch.context() as patch:
        patch.setattr("crestfall.study._option_figures.figures_of", lambda inputs, reference, **more: (
            refused() if inputs.plant.option.racks == 1 else figures_of(inputs, reference, **more)
        ))  # fmt: skip
        compare(joinery(), **OPTIONS, out=tmp_path / "out")
    again = compare(joinery(), **OPTIONS, out=tmp_path / "out", resume=True)
    assert [why for _, why in again.refused] == ["site.import_limit_kw 60 cannot be kept"] * 2


def test_other_inputs_or_code_are_refused_and_the_option_named_in_the_scenario_is_none(tmp_path, monkeypatch):
    path, out = write_hourly_site(tmp_path / "site", WITH_PV), tmp_path / "out"
    compare(load_scenario(path), **OPTIONS, out=out)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("import_limit_kw: 400", "import_limit_kw: 401"), encoding="utf-8")
    with pytest.raises(OutputError, match=r"changed since: scenario\n    results of both do not mix"):
        compare(load_scenario(path), **OPTIONS, out=out, resume=True)
    path.write_text(text.replace("racks: 2", "racks: 3"), encoding="utf-8")
    compare(load_scenario(path), **OPTIONS, out=out, resume=True)
    assert len(parts_in(out)) == ALL_OPTIONS
    monkeypatch.setattr("crestfall.study._parts.code_hash", lambda: "other")
    with pytest.raises(OutputError, match="changed since: the code of Crestfall"):
        compare(load_scenario(path), **OPTIONS, out=out, resume=True)


def test_other_years_of_load_are_other_figures(tmp_path):
    """Without draws nothing is known of them, so figures without them do not stand in for figures with them."""
    few = {**OPTIONS, "racks": (1,), "modules": (1,)}
    compare(joinery(), **few, out=tmp_path / "out")
    found = compare(joinery(), **{**few, "draws": 4}, out=tmp_path / "out", resume=True)
    assert all(len(one.other_years) == 3 for one in found.options)


def test_one_folder_belongs_to_one_comparison_at_a_time(tmp_path):
    scenario, folder = joinery(), CompareFolder(tmp_path / "out")
    refused = pytest.raises(OutputError, match=rf"another comparison is writing there \(process {os.getpid()}\)")
    with folder.opened(scenario, resume=False), refused:
        compare(scenario, **OPTIONS, out=tmp_path / "out", resume=True)


def test_a_folder_that_holds_something_is_not_taken(tmp_path):
    out = tmp_path / "out"
    stopped(out, after=1)
    with pytest.raises(OutputError, match=r"holds a comparison\n    add --resume to go on with it, --force to"):
        compare(joinery(), **OPTIONS, out=out)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="the folder holds something else"):
        compare(joinery(), **OPTIONS, out=tmp_path / "mine", resume=True)
    with pytest.raises(OutputError, match=r"--out /proc/nowhere/out: cannot be written"):
        compare(joinery(), **OPTIONS, out="/proc/nowhere/out")


def test_what_was_kept_is_given_up_where_that_is_asked_for(undisturbed, tmp_path):
    out, said = tmp_path / "out", []
    stopped(out, after=2)
    assert archive_bytes(compare(joinery(), **OPTIONS, out=out, afresh=True, on_stage=said.append)) == undisturbed
    assert "studying 5 options" in said
    assert kept_in(out)["case"].is_unique
    assert len(parts_in(out)) == ALL_OPTIONS


def command(tmp_path: Path, scenario: Path, out: Path, *more: str) -> list[str]:
    script = tmp_path / "start.py"
    script.write_text(START, encoding="utf-8")
    options = ("--racks", "1,2", "--modules", "1,2", "--draws", "0", "--workers", "1")
    return [sys.executable, str(script), "compare", str(scenario), "--out", str(out), *options, *more]


def test_the_command_is_stopped_and_killed_and_what_it_kept_is_good(undisturbed, tmp_path):
    """Ctrl-C, then SIGKILL of the parent, then to the end here."""
    out, scenario = tmp_path / "out", joinery().path
    with subprocess.Popen(command(tmp_path, scenario, out), stderr=subprocess.PIPE, text=True) as child:
        next(line for line in child.stderr if "1 of 5 options" in line)
        child.send_signal(signal.SIGINT)
        said = child.stderr.read()
    assert child.returncode == INTERRUPTED
    assert f"what is done is in {out}, and the same command with --resume goes on" in said
    assert 0 < len(parts_in(out)) < ALL_OPTIONS
    begun = len(parts_in(out))
    resume = command(tmp_path, scenario, out, "--resume")
    with subprocess.Popen(resume, stderr=subprocess.PIPE, text=True) as child:
        next(line for line in child.stderr if f"1 of {ALL_OPTIONS - begun} options" in line)
        child.kill()
    assert len(parts_in(out)) > begun
    assert archive_bytes(compare(load_scenario(scenario), **OPTIONS, out=out, resume=True)) == undisturbed
    assert len(parts_in(out)) == ALL_OPTIONS
    assert not [one for one in tmp_path.iterdir() if one.name.startswith(".")], "no temporary folder is left"
