"""Cases are kept as they come, nothing is lost or counted twice, and the table does not depend on who computed it."""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crestfall.dispatch._optimise import PROVEN_FRAC
from crestfall.errors import InfeasibleError, InputError, OutputError
from crestfall.scenario import load_scenario
from crestfall.study import RESULT_COLUMNS, load_plan, run, sweep
from crestfall.study import _parts as parts
from crestfall.study._executor import WorkersError
from crestfall.study._option_figures import figures_of
from crestfall.study._parts import SweepFolder
from crestfall.study._sweep_case import CasesJob
from site_files import in_scenario
from sweeps import FAULT_CASES, HEAD, PEAKS, write_sweep

WITH_BATTERY = in_scenario("  racks: 2\n", "  racks: 2\n")
INTERRUPTED = 130


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A sweep of cases that take milliseconds."""
    return write_sweep(tmp_path_factory.mktemp("sweep"))


@pytest.fixture(scope="module")
def undisturbed(path, tmp_path_factory):
    """The bytes of its table."""
    out = tmp_path_factory.mktemp("out") / "sweep"
    sweep(path, out, workers=0)
    return (out / "table.parquet").read_bytes()


@pytest.fixture
def small_parts(monkeypatch):
    """Parts of two cases, so that there is something to lose."""
    monkeypatch.setattr(SweepFolder, "rows_a_part", 2)


def test_each_case_has_the_figures_of_a_study_of_its_own(tmp_path):
    text = HEAD + "  - {key: option.racks, values: [1, 2]}\n  - {key: money.installation_cost, values: [0, 9000]}\n"
    path = write_sweep(tmp_path, f"{text}study: first_year\n", WITH_BATTERY)
    found = sweep(path, tmp_path / "out", workers=0)
    assert found.table["status"].tolist() == ["done"] * 4
    scenario = (tmp_path / "scenario.yaml").read_text(encoding="utf-8")
    scenario = scenario[: scenario.index("life:")].replace("installation_cost: 1500", "installation_cost: 9000")
    (tmp_path / "alone.yaml").write_text(f"{scenario}policy: hindsight\n", encoding="utf-8")
    alone = run(load_scenario(tmp_path / "alone.yaml"))
    row = found.table.iloc[3]
    assert (row["option.racks"], row["money.installation_cost"]) == (2, 9000)
    # The case sets out from the base's optimum, and both end within the proven gap.
    saving, gap = alone.saving(alone.hindsight), PROVEN_FRAC * alone.hindsight.bill_total
    assert row["saving"] == pytest.approx(saving, abs=gap)
    assert row["capital"] == pytest.approx(alone.capital)
    assert row["payback_years"] == pytest.approx(alone.payback_years, rel=gap / saving)


def test_a_case_does_not_depend_on_those_before_it(tmp_path):
    """Cases set out from the base's optimum, never from one another's."""
    rates = '  - {key: "tariff.demand_charges[0].rate_per_kw", values: [3, 9, 14]}\n'
    axes = rates + "  - {key: option.racks, values: [1, 2]}\n"
    plan = load_plan(write_sweep(tmp_path, f"{HEAD}{axes}study: first_year\n", WITH_BATTERY))
    job = CasesJob(plan.base)
    in_order, other = job.function(), job.function()
    rows = [in_order(case) for case in plan.cases]
    assert [other(case) for case in reversed(plan.cases)] == rows[::-1]
    assert len({row["saving"] for row in rows}) == 6


def test_the_summary_names_every_policy_that_made_a_figure(tmp_path):
    axes = "  - {key: policy, values: [rules]}\n  - {key: money.installation_cost, values: [0]}\n"
    path = write_sweep(tmp_path, f"{HEAD}{axes}combine: one_at_a_time\n")
    said: list[str] = []
    summary = sweep(path, tmp_path / "out", workers=0, on_stage=said.append).summary()
    assert any(line.endswith("at once if each took as long as the base by hindsight") for line in said)
    assert summary["policies"] == ["rules", "hindsight"], "the second case leaves it as in the base"
    assert (summary["site"], summary["currency"]) == ("Tidewell Joinery", "EUR")


def test_one_at_a_time_each_axis_swings_around_the_base(tmp_path):
    """Beside keys that move together, a switch, and values that leave the base out; money has no say in a saving."""
    axes = (
        '  - {key: "tariff.demand_charges[0].rate_per_kw", values: [6, 13], name: peak}\n'
        "  - together:\n      - {key: money.installation_cost, values: [1500, 3000]}\n"
        "      - {key: money.design_cost, values: [0, 900]}\n    name: works\n"
        "  - {key: rolling.trials, values: [true], name: kept}\n"
    )
    path = write_sweep(tmp_path, f"{HEAD}{axes}combine: one_at_a_time\n")
    found = sweep(path, tmp_path / "out", workers=0)
    assert found.plan.moving == ("peak", "peak", "works", "works", "kept")
    assert found.levels == {"peak": 9.5, "works": 1500, "kept": "False"}
    figures = found.table["bill_with"]
    shown = replace(found, base={**found.base, "npv": found.base["bill_with"]}, table=found.table.assign(npv=figures))
    bills = [found.base["bill_with"], *figures[:2]]
    assert shown.around("peak").to_dict("list") == {"peak": [9.5, 6.0, 13.0], "npv": bills}
    swings = shown.swings.set_index("axis")
    assert set(swings.index) == {"peak", "works", "kept"}
    assert swings.loc["peak", "swing"] == pytest.approx(figures[1] - figures[0])
    assert swings.loc["peak", ["low", "high"]].tolist() == [6.0, 13.0]
    assert swings.loc[["works", "kept"], "swing"].tolist() == [0.0, 0.0]


def test_a_case_that_fails_is_a_row_with_the_reason(tmp_path, monkeypatch):
    """A limit that no schedule keeps takes the general solver long to prove; here its error stands in for that."""

    def studied(inputs, reference, **more):
        if inputs.scenario.ask.site.import_limit_kw == 60:
            raise InfeasibleError("site.import_limit_kw 60 cannot be kept\n    raise it")
        return figures_of(inputs, reference, **more)

    monkeypatch.setattr("crestfall.study._sweep_case.figures_of", studied)
    text = HEAD + "  - {key: site.import_limit_kw, values: [60, 400]}\n  - {key: option.racks, values: [0, 9]}\n"
    path = write_sweep(tmp_path, f"{text}study: first_year\n")
    found = sweep(path, tmp_path / "out", workers=0)
    assert found.table["status"].tolist() == ["infeasible", "refused", "done", "refused"]
    assert found.table["reason"].iloc[0] == "site.import_limit_kw 60 cannot be kept"
    assert "option.modules: found 0, expected at least 1" in found.table["reason"].iloc[1]
    assert found.table.loc[found.table["status"] != "done", "saving"].isna().all()
    assert found.summary()["status"] == {"refused": 2, "infeasible": 1, "done": 1}


def test_table_holds_axes_key_figures_and_status(path, undisturbed, tmp_path):
    (tmp_path / "table.parquet").write_bytes(undisturbed)
    table = pd.read_parquet(tmp_path / "table.parquet")
    assert table.columns.tolist() == ["rate", "peak", "case", *RESULT_COLUMNS]
    assert len(table) == FAULT_CASES == table["case"].nunique()
    assert table.groupby("peak")["bill_with"].nunique().tolist() == [1, 1, 1], "a discount rate moves no bill"
    assert table["bill_with"].nunique() == 3


def test_the_table_is_the_same_whatever_the_number_of_workers_and_whoever_dies(
    path, undisturbed, tmp_path, small_parts, monkeypatch
):
    """Two workers; at some point one of them is killed."""
    killed = []

    def kill(said: str) -> None:
        if said.startswith("1") and "of 30 cases" in said and not killed:
            victim = random.Random(4).choice(active_children())
            os.kill(victim.pid, signal.SIGKILL)
            killed.append(victim.pid)

    monkeypatch.setattr("crestfall.study._sweep.TELL_EVERY_S", 0.0)
    sweep(path, tmp_path / "out", workers=2, on_stage=kill)
    assert killed
    assert (tmp_path / "out" / "table.parquet").read_bytes() == undisturbed


def test_a_sweep_that_is_killed_at_any_moment_goes_on_where_it_was(path, undisturbed, tmp_path, small_parts):
    """Twenty times: a child process sweeps, is killed by SIGKILL after a random time, and the next one goes on."""
    chance, out, kept = random.Random(11), tmp_path / "out", []
    for _ in range(20):
        child = os.fork()
        if child == 0:  # it shares nothing with the parent but the folder
            try:
                sweep(path, out, workers=0, resume=True)
            finally:
                os._exit(0)
        time.sleep(chance.uniform(0.0, 0.7))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        kept.append(len(list((out / "parts").glob("*.parquet"))) if (out / "parts").is_dir() else 0)
        if (out / "table.parquet").exists():
            assert (out / "table.parquet").read_bytes() == undisturbed
            shutil.rmtree(out)
            kept.clear()
    assert kept == sorted(kept) or (out / "parts").exists()
    sweep(path, out, workers=0, resume=True)
    assert (out / "table.parquet").read_bytes() == undisturbed
    rows = pd.concat([pd.read_parquet(one) for one in (out / "parts").glob("*.parquet")])
    assert rows["case"].is_unique, "nothing is computed twice once it is on the disk"
    assert len(rows) == FAULT_CASES


def test_going_on_computes_only_what_is_missing(path, tmp_path, small_parts):
    out, asked = tmp_path / "out", iter([*[False] * 12, True])
    with pytest.raises(KeyboardInterrupt):
        sweep(path, out, workers=0, is_stopped=lambda: next(asked))
    before = {one.name: one.stat().st_mtime_ns for one in (out / "parts").iterdir()}
    said = []
    sweep(path, out, workers=0, resume=True, on_stage=said.append)
    done = sum(pd.read_parquet(out / "parts" / name).shape[0] for name in before)
    assert done == 12
    assert any(f"30 cases, {done} of them done already" in line for line in said)
    assert {name: (out / "parts" / name).stat().st_mtime_ns for name in before} == before


def test_a_case_that_failed_is_tried_again_when_it_goes_on(path, undisturbed, tmp_path, monkeypatch):
    out, figures = tmp_path / "out", figures_of

    def short_of_memory(inputs, reference, **more):
        if inputs.scenario.ask.money.discount.rate_frac > 0.061:
            raise MemoryError
        return figures(inputs, reference, **more)

    with monkeypatch.context() as patch:
        patch.setattr("crestfall.study._sweep_case.figures_of", short_of_memory)
        first = sweep(path, out, workers=0)
    assert first.summary()["reasons"] == {"out of memory": 12}
    again = sweep(path, out, workers=0, resume=True)
    assert again.summary()["status"] == {"done": FAULT_CASES}
    assert (out / "table.parquet").read_bytes() == undisturbed


def test_a_damaged_part_is_computed_again_and_said(path, undisturbed, tmp_path, small_parts):
    out = tmp_path / "out"
    sweep(path, out, workers=0)
    (out / "table.parquet").unlink()
    first, second, *_ = sorted((out / "parts").iterdir())
    first.write_bytes(first.read_bytes()[:200])
    content = bytearray(second.read_bytes())
    content[60] ^= 0xFF  # one bit pattern inside a page, which its checksum tells
    second.write_bytes(content)
    (out / "parts" / "part-of-mine.parquet").write_text("no part of a sweep", encoding="utf-8")
    found = sweep(path, out, workers=0, resume=True)
    assert found.notes == (
        "part-000001.parquet is damaged: its cases are computed again",
        "part-000002.parquet is damaged: its cases are computed again",
    )
    assert (out / "table.parquet").read_bytes() == undisturbed


def test_one_folder_belongs_to_one_sweep_at_a_time(path, tmp_path):
    folder = SweepFolder(tmp_path / "out")
    refused = pytest.raises(OutputError, match=rf"another sweep is writing there \(process {os.getpid()}\)")
    with folder.opened(load_plan(path).base, resume=False), refused:
        sweep(path, tmp_path / "out", workers=0, resume=True)
    sweep(path, tmp_path / "out", workers=0, resume=True)


def test_a_folder_that_holds_a_sweep_wants_to_be_resumed(path, tmp_path):
    sweep(path, tmp_path / "out", workers=0)
    with pytest.raises(OutputError, match=r"the folder holds a sweep\n    add --resume to go on with it"):
        sweep(path, tmp_path / "out", workers=0)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="the folder holds something else"):
        sweep(path, tmp_path / "other", workers=0)


def test_results_of_other_inputs_or_code_do_not_mix(tmp_path, monkeypatch):
    path, out = write_sweep(tmp_path), tmp_path / "out"
    sweep(path, out, workers=0)
    load = tmp_path / "load.csv"
    text = load.read_text(encoding="utf-8")
    load.write_text(text.replace("1.", "2.", 1), encoding="utf-8")
    tariff = tmp_path / "tariff.yaml"
    tariff.write_text(tariff.read_text(encoding="utf-8").replace("0.30", "0.31"), encoding="utf-8")
    with pytest.raises(
        OutputError, match=r"changed since: site\.load, site\.pv, tariff\n    results of both do not mix"
    ):
        sweep(path, out, workers=0, resume=True)
    load.write_text(text, encoding="utf-8")
    tariff.write_text(tariff.read_text(encoding="utf-8").replace("0.31", "0.30"), encoding="utf-8")
    sweep(path, out, workers=0, resume=True)
    monkeypatch.setattr(parts, "code_hash", lambda: "other")
    with pytest.raises(OutputError, match="changed since: the code of Crestfall"):
        sweep(path, out, workers=0, resume=True)


def test_more_values_add_cases_to_those_that_are_there(tmp_path):
    path, out, said = write_sweep(tmp_path, HEAD + PEAKS), tmp_path / "out", []
    sweep(path, out, workers=0)
    path.write_text(HEAD + PEAKS.replace("[6, ", "[5, 6, "), encoding="utf-8")
    found = sweep(path, out, workers=0, resume=True, on_stage=said.append)
    assert any("4 cases, 3 of them done already" in line for line in said)
    assert found.table["peak"].tolist() == [5.0, 6.0, 9.5, 13.0]


def test_a_drawn_seed_is_shown_stored_and_used_again(tmp_path):
    text = HEAD + "  - {key: money.installation_cost, uniform: {low: 1, high: 2}, name: cost}\ndraws: {count: 4}\n"
    path, out, said = write_sweep(tmp_path, text), tmp_path / "out", []
    first = sweep(path, out, workers=0, on_stage=said.append)
    assert any(f"seed {first.plan.seed}" in line for line in said)
    assert json.loads((out / "sweep.json").read_text(encoding="utf-8"))["seed"] == first.plan.seed
    again = sweep(path, out, workers=0, resume=True)
    assert again.table.equals(first.table)


def test_a_folder_that_cannot_be_written_is_refused_at_once(path):
    with pytest.raises(OutputError, match=r"--out /proc/nowhere/out: cannot be written"):
        sweep(path, "/proc/nowhere/out", workers=0)


def test_a_full_disk_keeps_what_was_written_and_more_room_lets_it_go_on(path, undisturbed, tmp_path, small_parts):
    """A file system in memory with room for a few parts, then for all."""
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    mounted = subprocess.run(command, check=False, capture_output=True)
    if mounted.returncode:
        pytest.skip(f"no small file system can be mounted here: {mounted.stderr.decode().strip()}")
    try:
        out = disk / "out"
        with pytest.raises(
            OutputError, match=r"no space left on the disk; what was written before is kept\n.*--resume"
        ):
            sweep(path, out, workers=0)
        kept = [pd.read_parquet(one) for one in (out / "parts").glob("*.parquet")]
        assert 0 < sum(map(len, kept)) < FAULT_CASES
        assert not list((out / "parts").glob("*.draft"))
        with pytest.raises(OSError, match="No space left"):
            (disk / "letters.txt").write_bytes(b"x" * 100_000)
        with pytest.raises(OutputError, match="no space left on the disk"):
            sweep(path, disk / "another", workers=0)
        (disk / "letters.txt").unlink()
        subprocess.run(["mount", "-o", "remount,size=10m", str(disk)], check=True)
        sweep(path, out, workers=0, resume=True)
        assert (out / "table.parquet").read_bytes() == undisturbed
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_ctrl_c_finishes_what_is_in_hand_and_says_how_to_go_on(tmp_path):
    axis = "  - {key: money.installation_cost, range: {first: 1, last: 3000, step: 1}, name: cost}\n"
    path, out = write_sweep(tmp_path, HEAD + axis), tmp_path / "out"
    arguments = ["sweep", str(path), "--out", str(out), "--workers", "1"]
    script = tmp_path / "start.py"
    script.write_text("from crestfall.cli import main\nif __name__ == '__main__':\n    main()\n", encoding="utf-8")
    with subprocess.Popen([sys.executable, str(script), *arguments], stderr=subprocess.PIPE, text=True) as child:
        next(line for line in child.stderr if "of 3,000 cases" in line)
        child.send_signal(signal.SIGINT)
        said = child.stderr.read()
    assert child.returncode == INTERRUPTED
    assert "stopping after what is in hand" in said
    assert f"what is done is in {out}, and the same command with --resume goes on" in said
    kept = pd.concat([pd.read_parquet(one) for one in (out / "parts").glob("*.parquet")])
    assert 0 < len(kept) < 3000
    assert (kept["status"] == "done").all()
    assert np.isfinite(kept["bill_with"]).all()


@pytest.fixture(scope="module")
def cluster():
    """A scheduler on this machine with one worker process."""
    distributed = pytest.importorskip("distributed")
    settings = {"n_workers": 1, "threads_per_worker": 1, "dashboard_address": ":0", "processes": True}
    with distributed.LocalCluster(**settings) as running:
        yield running


def test_a_cluster_without_workers_is_refused_and_one_that_loses_them_can_be_stopped(path, tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr("crestfall.study._cluster.CONNECT_S", 2)
    monkeypatch.setattr("crestfall.study._sweep.TELL_EVERY_S", 0.0)
    settings = {"threads_per_worker": 1, "dashboard_address": ":0", "processes": False, "protocol": "tcp"}
    with distributed.LocalCluster(n_workers=0, **settings) as cluster:
        address = cluster.scheduler_address
        with pytest.raises(InputError, match=rf"--cluster {address}: the scheduler has no workers\n    start one"):
            sweep(path, tmp_path / "out", cluster=address)
        cluster.scale(1)
        cluster.wait_for_workers(1)

        def leave(said: str) -> None:
            if said.startswith("1") and "of 30 cases" in said:
                cluster.scale(0)

        asked = iter([*[False] * 150, True])  # a good while after all workers are gone
        with pytest.raises(KeyboardInterrupt):
            sweep(path, tmp_path / "out", cluster=address, on_stage=leave, is_stopped=lambda: next(asked, True))
    kept = pd.concat([pd.read_parquet(one) for one in (tmp_path / "out" / "parts").glob("*.parquet")])
    assert 0 < len(kept) < FAULT_CASES


def test_a_scheduler_that_is_lost_is_no_result_of_a_case(path, tmp_path, monkeypatch):
    distributed, dask = pytest.importorskip("distributed"), pytest.importorskip("dask")
    monkeypatch.setattr("crestfall.study._sweep.TELL_EVERY_S", 0.0)
    settings = {
        "n_workers": 1,
        "threads_per_worker": 1,
        "dashboard_address": ":0",
        "processes": False,
        "protocol": "tcp",
    }
    with dask.config.set({"distributed.comm.timeouts.connect": "1s"}), distributed.LocalCluster(**settings) as cluster:

        def lose(said: str) -> None:
            if said.startswith("1") and "of 30 cases" in said:
                cluster.close()

        with pytest.raises(WorkersError, match="the scheduler does not answer any more; what is done is kept"):
            sweep(path, tmp_path / "out", cluster=cluster.scheduler_address, on_stage=lose)
    kept = pd.concat([pd.read_parquet(one) for one in (tmp_path / "out" / "parts").glob("*.parquet")])
    assert 0 < len(kept) < FAULT_CASES
    assert (kept["status"] == "done").all()


def test_a_cluster_of_another_version_is_refused_before_anything_runs(cluster, path, tmp_path, monkeypatch):
    """A change of this process alone stands in for an installation of another day on the other machine."""
    monkeypatch.setattr("crestfall.study._cluster.code_hash", lambda: "another")
    address = cluster.scheduler_address
    with pytest.raises(InputError) as error:
        sweep(path, tmp_path / "out", cluster=address)
    assert str(error.value).startswith(f"--cluster {address}: worker tcp://127.0.0.1:")
    assert "has another Crestfall, or none\n    install the same on every machine" in str(error.value)
    assert not list((tmp_path / "out").glob("parts/*"))


def test_workers_of_a_cluster_come_and_go(cluster, path, undisturbed, tmp_path, monkeypatch):
    """The worker process is killed while it works; its nanny starts another."""
    killed = []

    def kill(said: str) -> None:
        if said.startswith("1") and "of 30 cases" in said and not killed:
            (nanny,) = cluster.workers.values()
            killed.append(nanny.pid)
            os.kill(nanny.pid, signal.SIGKILL)

    monkeypatch.setattr("crestfall.study._sweep.TELL_EVERY_S", 0.0)
    sweep(path, tmp_path / "out", cluster=cluster.scheduler_address, on_stage=kill)
    assert killed
    assert (tmp_path / "out" / "table.parquet").read_bytes() == undisturbed
    assert Path(tmp_path / "out" / "sweep.json").is_file()


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("nonsense", "--cluster nonsense: expected the address of a scheduler with its port\n    write it as"),
        ("tcp://host:99999999", "--cluster tcp://host:99999999: expected the address of a scheduler with its port"),
        ("tcp://127.0.0.1:1", "--cluster tcp://127.0.0.1:1: nobody answers there: Connection refused\n    start a"),
    ],
)
def test_an_address_where_nobody_answers_is_refused_at_once(path, tmp_path, address, words):
    pytest.importorskip("distributed")
    with pytest.raises(InputError) as error:
        sweep(path, tmp_path / "out", cluster=address)
    assert str(error.value).startswith(words)
    assert not (tmp_path / "out").exists()
