"""A result stands whole at its place or not at all, whatever goes wrong on the way."""

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from crestfall.errors import OutputError
from crestfall.report import _folder, check_place, fill_folder, finished_folder, result_folder, write_comparison
from crestfall.report._folder import writing
from crestfall.scenario import load_scenario
from crestfall.study import SUMMARY_SCHEMA, CompareFolder
from hourly_site import NO_BATTERY, WITH_PV, shared_study, write_hourly_site

REPLACED = "    name another, or add --force to replace an older result"
NO_SPACE = ": no space left on the disk; nothing was kept\n    free some space, or name another place"


@pytest.fixture(scope="module")
def result():
    """The joinery's year without a battery, which is quickly studied and drawn."""
    return shared_study(NO_BATTERY)


def put(target: Path, word: str, *, force: bool = False) -> None:
    """Put a result of two files in place."""
    with result_folder(target, force=force) as folder:
        (folder / "summary.json").write_text(json.dumps({"schema": SUMMARY_SCHEMA, "word": word}), encoding="utf-8")
        (folder / "figures").mkdir()
        (folder / "figures" / "week.svg").write_text(word, encoding="utf-8")


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def word_in(target: Path) -> str:
    """Return the word of the result there, which must be whole."""
    assert names_in(target) == ["figures", "summary.json"]
    word = json.loads((target / "summary.json").read_text(encoding="utf-8"))["word"]
    assert (target / "figures" / "week.svg").read_text(encoding="utf-8") == word
    return word


def refusal(target: Path, *, force: bool = False) -> str:
    with pytest.raises(OutputError) as caught, result_folder(target, force=force):
        pytest.fail("the work must not begin")
    return str(caught.value)


@pytest.fixture(params=["exchange", "renames"])
def way(request, monkeypatch) -> str:
    """Run a test with the atomic exchange of folders, and on systems without it."""
    if request.param == "renames":
        monkeypatch.setattr(_folder, "_exchange", lambda *_: False)
    elif not sys.platform.startswith("linux"):
        pytest.skip("no atomic exchange of folders on this system")
    return request.param


# --- going well -------------------------------------------------------------------------------------------------------


def test_result_stands_at_its_place(tmp_path):
    put(tmp_path / "out", "new")
    assert word_in(tmp_path / "out") == "new"


def test_folders_above_are_made(tmp_path):
    put(tmp_path / "a" / "b" / "out", "new")
    assert word_in(tmp_path / "a" / "b" / "out") == "new"


def test_empty_folder_is_filled(tmp_path, way):
    (tmp_path / "out").mkdir()
    put(tmp_path / "out", "new")
    assert word_in(tmp_path / "out") == "new"
    assert names_in(tmp_path) == ["out"]


def test_older_result_is_replaced_with_force(tmp_path, way):
    put(tmp_path / "out", "old")
    put(tmp_path / "out", "new", force=True)
    assert word_in(tmp_path / "out") == "new"


def test_no_temporary_folder_is_left_after_a_replacement(tmp_path, way):
    put(tmp_path / "out", "old")
    put(tmp_path / "out", "new", force=True)
    assert names_in(tmp_path) == ["out"]


def test_result_behind_a_link_is_replaced_and_the_link_stays(tmp_path, way):
    put(tmp_path / "real", "old")
    (tmp_path / "link").symlink_to("real")
    put(tmp_path / "link", "new", force=True)
    assert (tmp_path / "link").is_symlink()
    assert word_in(tmp_path / "real") == "new"
    assert names_in(tmp_path) == ["link", "real"]


def test_other_users_may_read_a_result(tmp_path):
    put(tmp_path / "out", "new")
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o755


def test_nothing_stands_at_the_place_before_the_block_ends(tmp_path):
    with result_folder(tmp_path / "out") as folder:
        assert folder.parent == tmp_path
        assert not (tmp_path / "out").exists()


def test_this_system_exchanges_folders_at_once(tmp_path):
    if not sys.platform.startswith("linux"):
        pytest.skip("no atomic exchange of folders on this system")
    for name in ("a", "b"):
        (tmp_path / name / name).mkdir(parents=True)
    assert _folder._exchange(tmp_path / "a", tmp_path / "b")
    assert names_in(tmp_path / "a") == ["b"]


# --- the work fails ---------------------------------------------------------------------------------------------------


def begin_and_fail(folder: Path, failure: type[BaseException]) -> None:
    (folder / "summary.json").write_text("{}", encoding="utf-8")
    raise failure


@pytest.mark.parametrize("failure", [ValueError, OSError, KeyboardInterrupt, SystemExit])
def test_old_result_is_intact_when_the_work_fails(tmp_path, way, failure):
    put(tmp_path / "out", "old")
    with pytest.raises(failure), result_folder(tmp_path / "out", force=True) as folder:
        begin_and_fail(folder, failure)
    assert word_in(tmp_path / "out") == "old"
    assert names_in(tmp_path) == ["out"]


@pytest.mark.parametrize("failure", [ValueError, OSError, KeyboardInterrupt])
def test_nothing_is_left_when_the_work_fails_the_first_time(tmp_path, failure):
    with pytest.raises(failure), result_folder(tmp_path / "out") as folder:
        begin_and_fail(folder, failure)
    assert names_in(tmp_path) == []


def test_old_result_comes_back_when_the_new_one_cannot_be_moved(tmp_path, monkeypatch):
    put(tmp_path / "out", "old")
    rename = Path.rename

    def fails_for_the_new_one(self, target):
        if target == tmp_path / "out" and not self.name.endswith("-old"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return rename(self, target)

    monkeypatch.setattr(_folder, "_exchange", lambda *_: False)
    monkeypatch.setattr(Path, "rename", fails_for_the_new_one)
    with pytest.raises(OutputError) as caught:
        put(tmp_path / "out", "new", force=True)
    assert str(caught.value) == (
        f"--out {tmp_path / 'out'}: cannot be written: Input/output error\n"
        "    name a folder in a place you may write to"
    )
    assert word_in(tmp_path / "out") == "old"
    assert names_in(tmp_path) == ["out"]


# --- refusals, before the work begins ---------------------------------------------------------------------------------


def test_older_result_is_refused_without_force(tmp_path):
    put(tmp_path / "out", "old")
    assert refusal(tmp_path / "out") == f"--out {tmp_path / 'out'}: the folder exists\n{REPLACED}"
    assert word_in(tmp_path / "out") == "old"


@pytest.mark.parametrize(
    "content",
    [
        pytest.param({"holiday.jpg": ""}, id="something else"),
        pytest.param({"summary.json": "{}"}, id="summary of another kind"),
        pytest.param({"summary.json": "[]"}, id="summary that is a list"),
        pytest.param({"summary.json": "{"}, id="summary that is no JSON"),
        pytest.param({"summary.json": '{"schema": "crestfall-summary/999"}'}, id="summary of another version"),
    ],
)
def test_folder_that_is_no_result_is_refused_even_with_force(tmp_path, content):
    (tmp_path / "out").mkdir()
    for name, text in content.items():
        (tmp_path / "out" / name).write_text(text, encoding="utf-8")
    assert refusal(tmp_path / "out", force=True) == (
        f"--out {tmp_path / 'out'}: the folder holds something else than a result\n"
        "    --force replaces only results; name another folder"
    )
    assert {path.name: path.read_text(encoding="utf-8") for path in (tmp_path / "out").iterdir()} == content


@pytest.mark.parametrize("name", ["note.txt", "figures/sketch.odg", ".hidden"])
def test_result_with_something_beside_it_is_refused_even_with_force(tmp_path, name):
    put(tmp_path / "out", "old")
    (tmp_path / "out" / name).write_text("precious", encoding="utf-8")
    assert refusal(tmp_path / "out", force=True) == (
        f"--out {tmp_path / 'out'}: the folder holds a result and {name}, which is no part of one\n"
        "    --force would remove it: take it away, or name another folder"
    )
    assert (tmp_path / "out" / name).read_text(encoding="utf-8") == "precious"


HERE = ": this folder is replaced as a whole, and you are in it\n    name it from outside, or name another"


@pytest.mark.parametrize(("here", "target"), [("", "."), ("", "../out"), ("figures", "..")])
def test_current_folder_and_those_above_are_refused_even_with_force(tmp_path, monkeypatch, here, target):
    """Whoever stands in a folder that is exchanged stands nowhere."""
    put(tmp_path / "out", "old")
    monkeypatch.chdir(tmp_path / "out" / here)
    assert refusal(Path(target), force=True) == f"{target}{HERE}"
    assert word_in(tmp_path / "out") == "old"


def test_current_folder_is_refused_even_if_it_is_empty(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert refusal(Path()) == f".{HERE}"


@pytest.mark.parametrize("force", [False, True])
def test_file_in_the_way_is_refused(tmp_path, force):
    (tmp_path / "out").write_text("precious", encoding="utf-8")
    assert refusal(tmp_path / "out", force=force) == (
        f"--out {tmp_path / 'out'}: this is a file, expected a folder\n    name a folder that does not exist yet"
    )
    assert (tmp_path / "out").read_text(encoding="utf-8") == "precious"


def test_file_above_is_refused(tmp_path):
    (tmp_path / "file").write_text("precious", encoding="utf-8")
    assert refusal(tmp_path / "file" / "out") == (
        f"--out {tmp_path / 'file' / 'out'}: {tmp_path / 'file'} is a file, expected a folder\n    name another place"
    )


def test_name_that_is_too_long_is_refused(tmp_path):
    target = tmp_path / ("x" * 300)
    assert refusal(target) == (
        f"--out {target}: cannot be written: File name too long\n    name a folder in a place you may write to"
    )


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a place that nobody may write to")
def test_place_where_nobody_may_write_is_refused():
    assert refusal(Path("/proc/out")).startswith("--out /proc/out: cannot be written: ")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write everywhere")
def test_folder_without_permission_is_refused(tmp_path):
    (tmp_path / "locked").mkdir(mode=0o555)
    assert refusal(tmp_path / "locked" / "out") == (
        f"--out {tmp_path / 'locked' / 'out'}: cannot be written: Permission denied\n"
        "    name a folder in a place you may write to"
    )


# --- no space left ----------------------------------------------------------------------------------------------------


def test_full_disk_is_told_and_the_old_result_is_intact(tmp_path, monkeypatch, result):
    put(tmp_path / "out", "old")

    def no_space(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("pandas.DataFrame.to_parquet", no_space)
    with pytest.raises(OutputError) as caught, result_folder(tmp_path / "out", force=True) as folder:
        fill_folder(result, folder, ["tables"])
    assert str(caught.value) == f"--out {tmp_path / 'out'}{NO_SPACE}"
    assert word_in(tmp_path / "out") == "old"
    assert names_in(tmp_path) == ["out"]


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 128 kB, too small for the figures and for the tables."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", str(place)]
    try:
        subprocess.run(mount, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"no small file system can be mounted here: {error}")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def write_schedule(result, folder: Path) -> None:
    result.schedule_frame().to_parquet(folder / "schedule.parquet")


def write_bill(result, folder: Path) -> None:
    for number in range(100):
        result.bill_frame().to_csv(folder / f"{number}.csv")


@pytest.mark.parametrize("write", [fill_folder, write_schedule, write_bill])
def test_disk_that_is_really_full_is_told_and_nothing_is_left(small_disk, result, write):
    with pytest.raises(OutputError) as caught, result_folder(small_disk / "out") as folder, writing():
        write(result, folder)
    assert str(caught.value) == f"--out {small_disk / 'out'}{NO_SPACE}"
    assert names_in(small_disk) == []


# --- a crash ----------------------------------------------------------------------------------------------------------

# Forks children that replace one result over and over, kills each at a random moment, and looks at what stands there.
CRASHES = """
import json, os, random, signal, sys, time
from pathlib import Path
from crestfall.report import result_folder
from crestfall.study import SUMMARY_SCHEMA

target, n_files, chance = Path(sys.argv[1]), 30, random.Random(7)

def replace(number):
    with result_folder(target, force=True) as folder:
        (folder / "figures").mkdir()
        for name in range(n_files):
            (folder / "figures" / f"{name}.svg").write_text(str(number))
        (folder / "summary.json").write_text(json.dumps({"schema": SUMMARY_SCHEMA, "number": number}))

def number_there():
    number = json.loads((target / "summary.json").read_text())["number"]
    assert sorted(os.listdir(target)) == ["figures", "summary.json"]
    assert sorted(os.listdir(target / "figures")) == sorted(f"{name}.svg" for name in range(n_files))
    assert {(target / "figures" / f"{name}.svg").read_text() for name in range(n_files)} == {str(number)}
    return number

replace(0)
numbers = []
for kill in range(1, 21):
    child = os.fork()
    if not child:
        number = 1000 * kill
        while True:
            replace(number)
            number += 1
    time.sleep(chance.uniform(0.005, 0.08))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    numbers.append(number_there())
print(len(numbers), numbers[-1])
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="no atomic exchange of folders on this system")
def test_crash_at_any_moment_leaves_the_old_result_or_the_new_one_whole(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", CRASHES, str(tmp_path / "out")], capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    n_kills, last = done.stdout.split()
    assert int(n_kills) == 20
    assert int(last) > 0, "no child had time to replace the result even once"


def kept(target: Path, site: Path, *, afresh: bool = False) -> CompareFolder:
    """Let a comparison keep one option in a folder."""
    folder = CompareFolder(target)
    with folder.opened(load_scenario(write_hourly_site(site, WITH_PV)), resume=False, afresh=afresh):
        folder.add("one", {"content": b"figures"})
    return folder


def test_what_a_comparison_kept_stays_beside_its_result_and_an_older_one_goes(tmp_path, way):
    target = tmp_path / "out"
    put(target, "old")
    check_place(target, force=True)
    kept(target, tmp_path / "site", afresh=True)
    assert json.loads((target / "summary.json").read_text(encoding="utf-8"))["word"] == "old", "until the new one is"
    with finished_folder(target) as draft:
        (draft / "page.html").write_text("new", encoding="utf-8")
    assert names_in(target) == ["comparison.json", "page.html", "parts"]
    assert names_in(target / "parts") == ["part-000001.parquet"]
    assert names_in(tmp_path) == ["out", "site"]


def test_a_comparison_that_fails_to_write_its_result_keeps_its_options(tmp_path, monkeypatch):
    target = tmp_path / "out"
    folder = kept(target, tmp_path / "site")

    def full(*_args: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(CompareFolder, "copy_to", full)
    kept_words = r"what was studied is kept\n    free some space and go on with --resume"
    with pytest.raises(OutputError, match=kept_words), finished_folder(target):
        pass
    assert names_in(target / "parts") == ["part-000001.parquet"]
    assert names_in(tmp_path) == ["out", "site"]
    refused = pytest.raises(OutputError, match="another comparison is writing there")
    with folder.locked(), refused, finished_folder(target):
        pytest.fail("it belongs to another")


def test_a_comparison_is_written_beside_what_it_kept_and_then_only_by_force(tmp_path, monkeypatch):
    target = tmp_path / "out"
    kept(target, tmp_path / "site")
    monkeypatch.setattr("crestfall.report._write.fill_comparison", lambda words, folder: put_words(folder, words))
    write_comparison("new", target)
    assert names_in(target) == ["comparison.json", "parts", "summary.json"]
    with pytest.raises(OutputError, match="the folder exists"):
        write_comparison("newer", target)


def put_words(folder: Path, words: str) -> None:
    (folder / "summary.json").write_text(json.dumps(words), encoding="utf-8")


def test_force_gives_up_what_a_comparison_kept_but_nothing_else(tmp_path):
    target = tmp_path / "out"
    kept(target, tmp_path / "site")
    check_place(target, force=True)
    (target / "parts" / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"parts/letter\.txt, which is no part of one"):
        check_place(target, force=True)
    (target / "comparison.json").write_text("{}", encoding="utf-8")
    with pytest.raises(OutputError, match="something else than a result"):
        check_place(target, force=True)
    check_place(target, force=False)
    (tmp_path / "file").touch()
    for place in (tmp_path / "file", tmp_path / "file" / "out"):
        with pytest.raises(OutputError, match="file, expected a folder"):
            check_place(place, force=False)
