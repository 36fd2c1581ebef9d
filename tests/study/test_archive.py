"""The archive of a study is read back, or refused with the file, what is wrong and what to do."""

import io
import json
import random
import zipfile

import numpy as np
import pytest

import crestfall
from crestfall.errors import InputError
from crestfall.study import ARCHIVE, archive_bytes, read_archive
from hourly_site import shared_study


@pytest.fixture(scope="module")
def content() -> bytes:
    return archive_bytes(shared_study())


def rewritten(content: bytes, **changes: object) -> bytes:
    """Return the archive with other entries in its document."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            one = old.read(name)
            new.writestr(name, json.dumps(json.loads(one) | changes) if name == "study.json" else one)
    return out.getvalue()


def refused(folder, content: bytes) -> str:
    (folder / ARCHIVE).write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_archive(folder)
    text = str(caught.value)
    assert text.startswith(f"{folder / ARCHIVE}: ")
    return text.removeprefix(f"{folder / ARCHIVE}: ")


def test_what_is_read_back_is_written_as_before(content, tmp_path):
    (tmp_path / ARCHIVE).write_bytes(content)
    found = read_archive(tmp_path)
    assert archive_bytes(found) == content
    assert found.summary() == shared_study().summary()
    assert found.headline.rates is found.before.rates


def test_any_tool_that_knows_numpy_reads_the_arrays(content):
    with np.load(io.BytesIO(content), allow_pickle=False) as file:
        load_kw = shared_study().inputs.series.load_kw
        assert any(np.array_equal(file[name], load_kw) for name in file.files if name != "study.json")


def test_another_version_is_named(content, tmp_path):
    assert refused(tmp_path, rewritten(content, crestfall="0.0.1")) == (
        f"written by Crestfall 0.0.1, this is {crestfall.__version__}\n"
        "    make the report with that version, or run the study again"
    )


def test_another_format_is_named(content, tmp_path):
    assert refused(tmp_path, rewritten(content, schema="crestfall-archive/9")) == (
        "found the format 'crestfall-archive/9', expected 'crestfall-archive/1'\n    run the study again"
    )


def test_another_content_is_told(content, tmp_path):
    text = refused(tmp_path, rewritten(content, study={"objects": [], "root": {"ref": 0}}))
    assert text == "does not fit this version (IndexError: list index out of range)\n    run the study again"
    assert refused(tmp_path, rewritten(content, study={"objects": [], "root": 3})) == (
        "holds no study\n    run the study again"
    )


@pytest.mark.parametrize("foreign", [b"", b"PK", b"a text", b"\x80\x04N."], ids=["empty", "begun", "text", "pickle"])
def test_what_is_no_archive_is_told(foreign, tmp_path):
    assert "damaged, or no archive of a study" in refused(tmp_path, foreign)


def test_an_archive_of_something_else_is_told(tmp_path):
    other = io.BytesIO()
    np.savez(other, load=np.arange(3))
    assert "damaged, or no archive of a study" in refused(tmp_path, other.getvalue())


def test_a_folder_without_an_archive_is_told(tmp_path):
    with pytest.raises(InputError) as caught:
        read_archive(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path / ARCHIVE}: cannot be read: No such file or directory\n"
        "    name the folder of a finished run, compare or sweep"
    )


def test_no_damage_goes_unnoticed(content, tmp_path):
    """Bytes that say when a file was made, or on which system, are no part of it."""
    chance, told = random.Random(3), 0
    for _ in range(60):
        damaged = bytearray(content)
        place = chance.randrange(len(damaged))
        damaged[place] ^= 1 << chance.randrange(8)
        (tmp_path / ARCHIVE).write_bytes(damaged)
        try:
            assert archive_bytes(read_archive(tmp_path)) == content
        except InputError as error:
            assert str(error).startswith(f"{tmp_path / ARCHIVE}: ")  # noqa: PT017 -- either is right
            told += 1
    assert told > 50


def test_a_cut_archive_is_told(content, tmp_path):
    for length in range(0, len(content), len(content) // 12):
        refused(tmp_path, content[:length])
