"""Turn validation errors into faults that walk the user to the spot."""

import difflib
import itertools
from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from crestfall.errors import Fault, KeyPath
from crestfall.scenario._base import CURRENCY_PATTERN, NAME_PATTERN
from crestfall.scenario._document import Document, shown
from crestfall.scenario.rack_life import LAWS
from crestfall.scenario.series_file import MONTH_PATTERN
from crestfall.scenario.tariff_clauses import LOCAL_TIME_PATTERN, MONTH_DAY_PATTERN, TIME_WINDOW_PATTERN

# Labels of the forms that a key may have, behind the key; no keys of the file.
_NUMBER_OR_SERIES = ("power_factor_frac", "kvar", "average_kg_per_kwh", "marginal_kg_per_kwh")
_TAGS = {("tariff", "path"), ("tariff", "sheets"), ("tariff", "inline")}
_TAGS |= {(key, form) for key in _NUMBER_OR_SERIES for form in ("number", "series")}
_TAGS |= {(key, form) for key in ("load_forecast", "pv_forecast") for form in ("name", "file", "error")}

_EXPECTED = {
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "string_type": "text",
    "bool_type": "true or false",
    "date_type": "a date, year-month-day",
    "date_from_datetime_inexact": "a date without a time",
    "finite_number": "a finite number",
    "tuple_type": "a list",
    "dict_type": "a block of keys",
    "model_type": "a block of keys",
    "model_attributes_type": "a block of keys",
    "union_tag_invalid": f"one of {', '.join(LAWS)}",
    "string_too_short": "some text",
    "string_too_long": "a shorter text",
    "too_short": "at least one entry",
}

_FORMS = {
    CURRENCY_PATTERN: "three capital letters",
    NAME_PATTERN: "text on one line",
    MONTH_DAY_PATTERN: "month-day with two digits each, 01-01 to 12-31",
    TIME_WINDOW_PATTERN: "a window of times, HH:MM-HH:MM, up to 24:00",
    MONTH_PATTERN: "a month, year-month",
    LOCAL_TIME_PATTERN: "a local time, year-month-day hour:minute",
}

_BOUNDS = {
    "greater_than": (">", "gt"),
    "greater_than_equal": (">=", "ge"),
    "less_than": ("<", "lt"),
    "less_than_equal": ("<=", "le"),
}


def faults_of(error: ValidationError, document: Document, model: type[BaseModel]) -> list[Fault]:
    """Return one fault for each error, in the order of the file's lines."""
    faults = [_fault(details, document, model) for details in error.errors() if not _is_echo(details)]
    return sorted(faults, key=lambda fault: fault.line)


def _is_echo(details: ErrorDetails) -> bool:
    """Whether a list is called too short only because its entries are wrong, which is said of each."""
    return details["type"] == "too_short" and len(details["input"]) >= details.get("ctx", {})["min_length"]


def _path_of(details: ErrorDetails, context: dict[str, Any]) -> KeyPath:
    """Return the path to a value, in which a rack's life is followed by the name of its law."""
    location = details["loc"]
    location = (*location[:1], *(part for above, part in itertools.pairwise(location) if (above, part) not in _TAGS))
    if details["type"] in ("union_tag_invalid", "union_tag_not_found"):
        location = (*location, "law")
    # The kind of an addition is the label of its form as well.
    location = tuple(part for at, part in enumerate(location) if at < 2 or location[at - 2] != "additions")
    below = (int(part) if part.isdigit() else part for part in str(context.get("key", "")).split("/") if part)
    return (*location, *below)


def _fault(details: ErrorDetails, document: Document, model: type[BaseModel]) -> Fault:
    context: dict[str, Any] = details.get("ctx", {})
    path = _path_of(details, context)
    key, field = tuple(part for at, part in enumerate(path) if not _is_law(path, at)), _field_at(model, path)
    if details["type"] == "extra_forbidden":
        return document.fault(key, "unknown key", _nearest(str(key[-1]), keys_at(model, path[:-1])))
    if details["type"] in ("missing", "union_tag_not_found"):
        remedy = (field.description if field else None) or "add the key"
        return document.fault(key, "required, but missing", remedy)
    found = _value_at(document.data, key)
    remedy = (
        str(context.get("remedy", ""))
        or _percent_remedy(key, found)
        or (field.description if field else None)
        or "correct it"
    )
    return document.fault(key, f"found {shown(found)}, expected {_expected(details, context, found)}", remedy)


def _expected(details: ErrorDetails, context: dict[str, Any], found: object) -> str:
    kind = details["type"]
    if kind == "crestfall":
        return str(context["expected"])
    if kind in _BOUNDS:
        sign, name = _BOUNDS[kind]
        return f"a number {sign} {context[name]:g}"
    if kind == "too_short" and context["min_length"] > 1:
        return f"at least {context['min_length']} entries"
    if kind == "literal_error":
        return str(context["expected"]).replace("'", "")
    if kind == "string_pattern_mismatch":
        return _FORMS[context["pattern"]]
    if details["loc"] == ("tariff", "inline"):
        return "the name of a file, or a block of keys"
    if kind == "string_type" and not isinstance(found, str) and found is not None:
        return "text (put it in quotes)"
    if kind in ("float_type", "int_type") and isinstance(found, str) and _number_in(found) is not None:
        return f"{_EXPECTED[kind]}, without quotes"
    return _EXPECTED.get(kind, details["msg"])


def _percent_remedy(key: KeyPath, found: object) -> str:
    """Shares are the one place where people write per cent; say so with their own number."""
    if not key or "_frac" not in str(key[-1]) or isinstance(found, bool):
        return ""
    signed = isinstance(found, str) and found.endswith("%")
    number = _number_in(found.removesuffix("%")) if isinstance(found, str) else found
    if isinstance(number, int | float) and (signed or number > 1) and 0 <= number <= 100:
        return f"shares are written from 0 to 1: {number:g} % is {number / 100:g}"
    return ""


def _number_in(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _nearest(name: str, known: list[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"did you mean '{close[0]}'?" if close else f"known keys here: {', '.join(known) or 'none'}"


def _value_at(data: object, key: KeyPath) -> object:
    for part in key:
        if isinstance(data, dict):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


def _is_law(path: KeyPath, at: int) -> bool:
    """Whether a part of a path is the name of a law, which is no key of the file."""
    return path[at] in LAWS and path[at - 1 : at] == ("life",)


def _field_at(model: type[BaseModel], path: KeyPath) -> FieldInfo | None:
    """Return the field that a path names; list positions and names of free blocks are passed over."""
    return _walk(model, path)[0]


def keys_at(model: type[BaseModel], path: KeyPath) -> list[str]:
    """Return the keys of the block at the end of a path, or of any that may stand there; none where no block is."""
    field, current = _walk(model, path)
    blocks = [current] if field is None else list(_models_in(field.annotation))
    return [key for block in blocks if block is not None for key in block.model_fields]


def _walk(model: type[BaseModel], path: KeyPath) -> tuple[FieldInfo | None, type[BaseModel] | None]:
    """Return the last field on a path, and the block at its end."""
    field: FieldInfo | None = None
    current: type[BaseModel] | None = model
    for at, part in enumerate(path):
        if _is_law(path, at):
            current = LAWS[str(part)]
        elif current is not None and part in current.model_fields:
            field = current.model_fields[str(part)]
            current = next(_models_in(field.annotation), None)
    return field, current


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    """Yield the blocks of keys that a field may hold."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models_in(inner)
