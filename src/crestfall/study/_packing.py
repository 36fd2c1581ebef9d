"""Frozen values as plain data and back, exact to the last bit: JSON for what they are made of, arrays beside it.

Kept are frozen dataclasses, named tuples, enums and validated blocks of this package, and what they hold: arrays and
frames, dates, tuples, lists and mappings. Nothing else is written, and nothing else is made when it is read: a name in
an archive can only lead to such a class. What is the same object before is the same object after. A field that does
not count when two values are compared is no part of them, and comes back as its default. Paths come back empty: where
files stood is no part of a study.
"""

import datetime as dt
import importlib
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel

Node = Any  # what JSON can hold
Array = NDArray[Any]
ROOMS = "scenario|series|tariff|plant|dispatch|replay|control|ageing|finance|study"
CLASS_NAME = re.compile(rf"(crestfall\.(?:{ROOMS})(?:\.\w+)*):(\w+)")


class UnpackError(Exception):
    """Packed data that do not fit the classes of this version."""


def pack(value: object, *, before: Callable[[object], object] = lambda one: one) -> tuple[Node, list[Array]]:
    """
    Return a value as plain data.

    Parameters
    ----------
    value : object
        What to keep.
    before : callable, optional
        What to keep of an object in its place.

    Returns
    -------
    node : dict
        Ready for JSON.
    arrays : list of ndarray
        What the node refers to by number.

    Raises
    ------
    TypeError
        If there is anything in it that is not kept.
    """
    packer = _Packer(before)
    root = packer.node(value)
    return {"objects": packer.objects, "root": root}, packer.arrays


def unpack(node: Node, arrays: list[Array]) -> Any:
    """
    Return the value that `pack` was given.

    Parameters
    ----------
    node : dict
        From JSON.
    arrays : list of ndarray
        What it refers to.

    Returns
    -------
    object
        An equal value.

    Raises
    ------
    UnpackError
        If the data name a class that is not kept, or one whose fields are others.
    """
    try:
        objects: list[Any] = []
        for one in node["objects"]:
            objects.append(_object(one, objects, arrays))
        return _value(node["root"], objects)
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise UnpackError(f"{type(error).__name__}: {error}") from None


def _kept_fields(cls: type) -> list[str]:
    """Return the fields that are part of a value."""
    if issubclass(cls, BaseModel):
        return list(cls.model_fields)
    if issubclass(cls, tuple):
        return list(cls._fields)  # type: ignore[attr-defined]  # a named tuple has them
    return [one.name for one in fields(cls) if one.compare]  # type: ignore[arg-type]  # a dataclass by now


def _is_kept(cls: type) -> bool:
    """Whether values of a class are made of their fields and nothing else."""
    if is_dataclass(cls):
        parameters = cls.__dataclass_params__  # type: ignore[attr-defined]  # the stubs leave it out
        return bool(parameters.frozen) and all(one.init for one in fields(cls) if one.compare)
    return issubclass(cls, BaseModel | Enum) or (issubclass(cls, tuple) and hasattr(cls, "_fields"))


def _name_of(cls: type) -> str | None:
    """Return the name of a class that is kept."""
    name = f"{cls.__module__}:{cls.__qualname__}"
    return name if CLASS_NAME.fullmatch(name) and _is_kept(cls) else None


def _class_of(name: str) -> type:
    found = CLASS_NAME.fullmatch(name)
    try:
        cls = getattr(importlib.import_module(found[1]), found[2]) if found else None
    except (ImportError, AttributeError):
        cls = None
    if not isinstance(cls, type) or _name_of(cls) != name:
        raise UnpackError(f"no {name} is kept")
    return cls


class _Packer:
    """Writes each object once; whoever holds it again refers to it by number."""

    def __init__(self, before: Callable[[object], object]) -> None:
        self.objects: list[Node] = []
        self.arrays: list[Array] = []
        self._before = before
        self._numbers: dict[int, int] = {}
        self._held: list[object] = []  # a number is good as long as its object lives
        self._array_numbers: dict[tuple[str, tuple[int, ...], bool, bytes], int] = {}

    def node(self, value: object) -> Node:
        """Return a value in place, or a reference to it."""
        kind = type(value)
        if value is None or kind in (bool, int, str):
            return value
        if isinstance(value, float) and kind is float:
            return value if math.isfinite(value) else {"float": repr(value)}
        if isinstance(value, list) and kind is list:
            return [self.node(one) for one in value]
        if isinstance(value, tuple) and kind is tuple:
            return {"tuple": [self.node(one) for one in value]}
        if isinstance(value, dict) and kind is dict:
            return {"map": [[self.node(key), self.node(one)] for key, one in value.items()]}
        if isinstance(value, np.generic):
            return {"scalar": [value.dtype.str, self.node(value.item())]}
        if isinstance(value, pd.Timestamp):
            return {"stamp": [value.asm8.astype(np.int64).item(), value.unit, _zone_name(value.tz)]}
        if isinstance(value, dt.date | dt.time) and kind in (dt.date, dt.time):
            return {kind.__name__: value.isoformat()}
        if isinstance(value, Path):
            return {"path": ""}
        if isinstance(value, Enum) and _name_of(kind):
            return {"enum": [_name_of(kind), value.name]}
        return {"ref": self._number(value)}

    def _number(self, value: object) -> int:
        if isinstance(value, np.ndarray):  # equal arrays are one object
            value = self.arrays[self._array(value)]
        if id(value) not in self._numbers:
            packed = self._object(self._before(value))
            self.objects.append(packed)
            self._numbers[id(value)] = len(self.objects) - 1
            self._held.append(value)
        return self._numbers[id(value)]

    def _object(self, value: object) -> Node:
        if isinstance(value, np.ndarray):
            return {"array": self._array(value)}
        if isinstance(value, pd.DataFrame):
            columns = [self._column(value.iloc[:, at]) for at in range(value.shape[1])]
            return {"frame": columns, "index": self._index(value.index), "columns": self._index(value.columns)}
        if isinstance(value, pd.Series):
            return {"series": self._column(value), "index": self._index(value.index), "name": self.node(value.name)}
        if isinstance(value, pd.Index):
            return {"index": self._index(value)}
        kind = type(value)
        name = _name_of(kind)
        if name is None:
            raise TypeError(f"a {kind.__module__}.{kind.__qualname__} cannot be kept")
        packed = {"class": name, "fields": {one: self.node(getattr(value, one)) for one in _kept_fields(kind)}}
        if isinstance(value, BaseModel):
            packed["set"] = sorted(value.model_fields_set)
        return packed

    def _array(self, array: Array) -> int:
        """Return the number of an array; equal ones are written once."""
        if array.dtype.hasobject:
            raise TypeError("an array of objects cannot be kept")
        key = (array.dtype.str, array.shape, array.flags.f_contiguous, array.tobytes())
        if key not in self._array_numbers:
            self._array_numbers[key] = len(self.arrays)
            self.arrays.append(array)
        return self._array_numbers[key]

    def _column(self, column: "pd.Series[Any]") -> Node:
        values = column.to_numpy()
        if column.dtype.kind in "biuf" and isinstance(column.dtype, np.dtype):
            return {"array": self._array(values)}
        if not isinstance(column.dtype, np.dtype | pd.StringDtype):
            raise TypeError(f"a column of {column.dtype} cannot be kept")
        return {"dtype": str(column.dtype), "values": [self.node(one) for one in column.tolist()]}

    def _index(self, index: "pd.Index[Any]") -> Node:
        name = self.node(index.name)
        if isinstance(index, pd.RangeIndex):
            return {"range": [index.start, index.stop, index.step], "name": name}
        if isinstance(index, pd.DatetimeIndex):
            packed = {"stamps": self._array(index.asi8), "unit": index.unit, "zone": _zone_name(index.tz)}
            return packed | {"name": name, "freq": index.freqstr}
        if isinstance(index, pd.MultiIndex):
            raise TypeError("an index of several levels cannot be kept")
        return {"column": self._column(index.to_series()), "name": name}


def _zone_name(zone: object) -> str | None:
    return None if zone is None else str(zone)


def _value(node: Node, objects: list[Any]) -> Any:
    """Return what a node stands for."""
    if isinstance(node, list):
        return [_value(one, objects) for one in node]
    if not isinstance(node, dict):
        return node
    ((kind, content),) = node.items()
    match kind:
        case "ref":
            return objects[content]
        case "tuple":
            return tuple(_value(one, objects) for one in content)
        case "map":
            return {_value(key, objects): _value(one, objects) for key, one in content}
        case "enum":
            return _class_of(content[0])[content[1]]  # type: ignore[index]  # any other class has no items and raises
        case "scalar":
            return np.dtype(content[0]).type(_value(content[1], objects))
        case "stamp":
            return _stamps(np.array(content[:1], dtype=np.int64), content[1], content[2])[0]
    simple: Mapping[str, Callable[[str], Any]] = {
        "float": float,
        "date": dt.date.fromisoformat,
        "time": dt.time.fromisoformat,
        "path": Path,
    }
    return simple[kind](content)


def _object(node: Node, objects: list[Any], arrays: list[Array]) -> Any:
    if "array" in node:
        return arrays[node["array"]]
    if "class" in node:
        return _instance(node, objects)
    index = _index(node["index"], objects, arrays)
    if "frame" in node:
        columns = [_column(one, objects, arrays) for one in node["frame"]]
        frame = pd.DataFrame(dict(enumerate(columns)), index=range(len(index)))
        return frame.set_axis(_index(node["columns"], objects, arrays), axis=1).set_axis(index, axis=0)
    if "series" in node:
        return _column(node["series"], objects, arrays).set_axis(index).rename(_value(node["name"], objects))
    return index


def _instance(node: Node, objects: list[Any]) -> Any:
    cls = _class_of(node["class"])
    found = {name: _value(one, objects) for name, one in node["fields"].items()}
    if set(found) != set(_kept_fields(cls)):
        raise UnpackError(f"{node['class']} has other fields")
    if issubclass(cls, BaseModel):
        return cls.model_construct(set(node["set"]), **found)
    return cls(**found)


def _column(node: Node, objects: list[Any], arrays: list[Array]) -> "pd.Series[Any]":
    if "array" in node:
        return pd.Series(arrays[node["array"]])
    series: pd.Series[Any] = pd.Series([_value(one, objects) for one in node["values"]], dtype=node["dtype"])
    return series


def _index(node: Node, objects: list[Any], arrays: list[Array]) -> "pd.Index[Any]":
    name = _value(node["name"], objects)
    if "range" in node:
        start, stop, step = node["range"]
        return pd.RangeIndex(start, stop, step, name=name)
    if "stamps" in node:
        stamps = _stamps(arrays[node["stamps"]], node["unit"], node["zone"]).rename(name)
        stamps.freq = node["freq"]  # type: ignore[misc]  # the stubs say that it cannot be set
        return stamps
    index: pd.Index[Any] = pd.Index(_column(node["column"], objects, arrays), name=name)
    return index


def _stamps(values: Array, unit: str, zone: str | None) -> pd.DatetimeIndex:
    index = pd.DatetimeIndex(values.view(f"M8[{unit}]"))
    return index if zone is None else index.tz_localize("UTC").tz_convert(zone)
