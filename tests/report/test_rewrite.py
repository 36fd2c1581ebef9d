"""A report made again from what a study left is the first one, byte for byte, with its input files gone."""

import shutil

import pytest
from pypdf import PdfReader

from compared_site import LIVING, MODULES, RACKS
from crestfall import cli
from crestfall.errors import OutputError
from crestfall.report import FORMS, USUAL_FORMS, fill_comparison, fill_folder, fill_sweep, rewrite_report
from crestfall.report._folder import OWN_NAMES
from crestfall.scenario import load_scenario
from crestfall.study import compare, run, sweep
from hourly_site import BY_ROLLING, HOSTILE_NAME, WITH_PV, write_hourly_site
from sweeps import HEAD, PEAKS, write_sweep


def files_in(folder) -> dict[str, bytes]:
    return {one.relative_to(folder).as_posix(): one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file()}


def written_run(site, out):
    edits = (WITH_PV, *LIVING, BY_ROLLING, HOSTILE_NAME)
    out.mkdir()
    fill_folder(run(load_scenario(write_hourly_site(site, *edits))), out, FORMS)


def written_comparison(site, out):
    out.mkdir()
    scenario = load_scenario(write_hourly_site(site, WITH_PV, *LIVING))
    fill_comparison(compare(scenario, racks=RACKS[:1], modules=MODULES, draws=8, workers=0), out, FORMS)


def written_sweep(site, out):
    site.mkdir()
    fill_sweep(sweep(write_sweep(site, HEAD + PEAKS), out, workers=0), out, FORMS)


PAGES = {"report.html": written_run, "compare.html": written_comparison, "sweep.html": written_sweep}


def finished(page, place):
    """Return a study's folder; the files it was made from are gone."""
    PAGES[page](place / "site", place / "out")
    shutil.rmtree(place / "site")
    return place / "out"


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """The folder of a sweep, which is quickly drawn."""
    return finished("sweep.html", tmp_path_factory.mktemp("study"))


@pytest.fixture
def folder(swept, tmp_path):
    """The same folder, to be changed."""
    return shutil.copytree(swept, tmp_path / "out")


@pytest.mark.parametrize("page", PAGES)
def test_every_form_made_again_is_the_first_byte_for_byte(page, tmp_path):
    folder = finished(page, tmp_path)
    first = files_in(folder)
    written = [name for name in first if name.endswith((".html", ".pdf", ".xlsx", ".svg", ".csv"))]
    assert len(written) > 3
    for name in written:
        (folder / name).unlink()
    assert rewrite_report(folder, forms=FORMS) == folder / page
    again = files_in(folder)
    assert sorted(again) == sorted(first)
    if page != "sweep.html":  # whose folder is never replaced
        assert {one.name for one in folder.iterdir()} <= OWN_NAMES
    changing = {"sweep.lock"}  # says which process wrote last
    assert [name for name in first if first[name] != again[name] and name not in changing] == []


def test_only_what_is_asked_for_is_made(swept, folder):
    for path in (folder / "sweep.html", folder / "summary.json"):
        path.write_text("old")
    (folder / "note.txt").write_text("mine")
    rewrite_report(folder, forms=["tables"])
    assert (folder / "sweep.html").read_text() == "old"
    assert (folder / "note.txt").read_text() == "mine"
    rewrite_report(folder, forms=["page"])
    assert (folder / "sweep.html").read_bytes() == (swept / "sweep.html").read_bytes()


def test_another_language_and_back(swept, folder):
    rewrite_report(folder, forms=["page", "pdf"], language="fr")
    assert '<html lang="fr">' in (folder / "sweep.html").read_text(encoding="utf-8")
    assert PdfReader(folder / "sweep.pdf").trailer["/Root"]["/Lang"] == "fr"
    rewrite_report(folder, forms=["page", "pdf"])
    for name in ("sweep.html", "sweep.pdf"):
        assert (folder / name).read_bytes() == (swept / name).read_bytes()


def test_another_folder_takes_what_is_made_and_nothing_else(swept, tmp_path):
    rewrite_report(swept, forms=["page"], out=tmp_path / "other")
    assert sorted(files_in(tmp_path / "other")) == sorted(["sweep.html", "summary.json"])


def test_a_fault_on_the_way_leaves_all_as_it_was(folder, monkeypatch):
    first = files_in(folder)
    monkeypatch.setattr("crestfall.report._forms.write_json", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        rewrite_report(folder)
    assert files_in(folder) | {"sweep.lock": b""} == first | {"sweep.lock": b""}
    assert [one.name for one in folder.parent.iterdir()] == ["out"]


def test_the_folder_one_stands_in_is_not_exchanged(folder, monkeypatch):
    first = files_in(folder)
    monkeypatch.chdir(folder)
    with pytest.raises(OutputError, match="and you are in it\n    name it from outside"):
        rewrite_report(".")
    assert files_in(folder) | {"sweep.lock": b""} == first | {"sweep.lock": b""}


def run_cli(monkeypatch, *arguments: str) -> None:
    monkeypatch.setattr("sys.argv", ["crestfall", "report", *arguments])
    cli.main()


def test_the_command_says_what_it_wrote(swept, folder, monkeypatch, capfd):
    (folder / "sweep.html").unlink()
    with pytest.raises(SystemExit) as ended:
        run_cli(monkeypatch, str(folder))
    assert ended.value.code == 0
    assert capfd.readouterr().out == f"wrote {', '.join(USUAL_FORMS)} into {folder}\n"
    assert (folder / "sweep.html").exists()


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--force"], "--force is for another folder\n    add --out, or leave it out\n"),
        (["--language", "xx"], "language: 'xx' is not known\n    one of de, en, es, fr\n"),
        ([], "archive.npz: cannot be read: No such file or directory\n"),
    ],
)
def test_the_command_refuses_with_status_2(arguments, text, tmp_path, monkeypatch, capfd):
    with pytest.raises(SystemExit) as ended:
        run_cli(monkeypatch, str(tmp_path), *arguments)
    assert ended.value.code == 2
    assert text in capfd.readouterr().err
    assert list(tmp_path.iterdir()) == []
