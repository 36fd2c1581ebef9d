"""What is kept of a study comes back as it was, to the last bit, and nothing else can come back."""

import datetime as dt
import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.dispatch import Schedule
from crestfall.plant import Option
from crestfall.scenario.scenario_file import OptionChoice
from crestfall.study import SweepFolder
from crestfall.study._packing import UnpackError, pack, unpack
from crestfall.study._shared import Shared


def there_and_back(value):
    node, arrays = pack(value)
    return unpack(json.loads(json.dumps(node, allow_nan=False)), arrays)


PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.text()
    | st.floats()
    | st.dates()
    | st.times().map(lambda one: one.replace(fold=0)),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner) | st.lists(inner).map(tuple),
    max_leaves=8,
)


@given(PLAIN)
def test_plain_values_come_back_with_their_types(value):
    assert repr(there_and_back(value)) == repr(value)  # the text of a float is exact, and NaN equals no NaN


@given(st.floats(allow_subnormal=True))
def test_floats_come_back_bit_for_bit(value):
    found = there_and_back([value, np.float64(value), np.float32(0.1)])
    assert [type(one) for one in found] == [float, np.float64, np.float32]
    assert math.copysign(1, found[0]) == math.copysign(1, value) or math.isnan(value)


def test_an_object_held_twice_is_one_object():
    option, array = Option(2, 1), np.arange(3.0)
    found = there_and_back([option, [option], array, {"again": array}])
    assert found[0] is found[1][0] == option
    assert found[2] is found[3]["again"]


@pytest.mark.parametrize("dtype", ["f8", "i8", "?", "M8[D]", "f4"])
def test_arrays_come_back_as_they_were(dtype):
    array = np.array([[1, 0, 3], [4, 5, 6]]).astype(dtype)
    for one in (array, np.asfortranarray(array), array[:0]):
        found = there_and_back(one)
        assert found.dtype == one.dtype
        assert found.shape == one.shape
        assert found.flags.f_contiguous == one.flags.f_contiguous
        assert found.tobytes() == one.tobytes()


START = pd.date_range("2025-10-26", periods=4, freq="h", tz="Europe/Berlin", name="start")
FRAME = pd.DataFrame({"amount": [0.1, np.nan, -0.0, 3.0], "name": ["a", "b", None, "d"], "racks": [1, 2, 3, 4]})


@pytest.mark.parametrize(
    "frame",
    [
        FRAME,
        FRAME.set_index(START),
        FRAME.set_index("name"),
        FRAME.iloc[::-1],
        FRAME.iloc[:0],
        FRAME.astype({"name": "object", "racks": "object"}),
        pd.DataFrame(index=START),
        FRAME.rename_axis(columns="figure"),
        FRAME.set_index(START.tz_convert("UTC").as_unit("s")),
    ],
)
def test_frames_come_back_as_they_were(frame):
    pd.testing.assert_frame_equal(there_and_back(frame), frame, check_exact=True, check_freq=True)


def test_series_and_stamps_come_back_as_they_were():
    series = pd.Series([1.5, 2.5], index=["a", "b"], name="kW")
    found = there_and_back((series, START[2], pd.Timestamp("2025-01-01"), dt.date(2025, 1, 2)))
    pd.testing.assert_series_equal(found[0], series, check_exact=True)
    assert found[1:] == (START[2], pd.Timestamp("2025-01-01"), dt.date(2025, 1, 2))
    assert found[1].tz == START.tz


def test_a_block_remembers_which_keys_were_written():
    block = OptionChoice(racks=3, modules=1)
    found = there_and_back(block)
    assert found == block
    assert found.model_fields_set == block.model_fields_set


def test_what_does_not_count_in_a_comparison_comes_back_as_its_default():
    flow = np.zeros(2)
    names = ("charge_kw", "discharge_kw", "stored_kwh", "curtailed_kw", "import_kw", "export_kw")
    schedule = Schedule(
        **dict.fromkeys(names, flow), start_kwh=0.0, objective=1.0, lower_bound=1.0, status="rule", proof=(1,)
    )
    assert there_and_back(schedule).proof == ()


@pytest.mark.parametrize(
    "value",
    [object(), Shared(), SweepFolder(Path()), print, {1, 2}, np.array([object()]), 1j],
    ids=lambda value: type(value).__name__,
)
def test_other_values_are_not_kept(value):
    with pytest.raises(TypeError, match="cannot be kept"):
        pack(value)


@pytest.mark.parametrize(
    "name",
    [
        "os:system",
        "builtins:eval",
        "crestfall.cli:main",
        "crestfall.study._shared:Shared",
        "crestfall.study._parts:SweepFolder",
        "crestfall.study._parts:os.system",
        "crestfall.study._parts:Path",
        "crestfall.study.nothing:There",
        "crestfall.plant._option:option",
        "crestfall.plant:Option",
    ],
)
def test_no_other_class_is_made(name):
    with pytest.raises(UnpackError):
        unpack({"objects": [{"class": name, "fields": {}, "set": []}], "root": {"ref": 0}}, [])


@pytest.mark.parametrize("fields", [{}, {"racks": 1}, {"racks": 1, "modules": 1, "colour": 3}])
def test_other_fields_are_told(fields):
    node = {"objects": [{"class": "crestfall.plant._option:Option", "fields": fields}], "root": {"ref": 0}}
    with pytest.raises(UnpackError, match="has other fields"):
        unpack(node, [])
