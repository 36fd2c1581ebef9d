"""Turn validation errors into faults that walk the user to the spot."""

import difflib
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from crestfall.errors import Fault, KeyPath
from crestfall.scenario._base import CURRENCY_PATTERN, NAME_PATTERN
from crestfall.scenario._document import Document, shown
from crestfall.scenario.series_file import MONTH_PATTERN
from crestfall.scenario.tariff_clauses import LOCAL_TIME_PATTERN, MONTH_DAY_PATTERN, TIME_WINDOW_PATTERN

_TAGS = {("tariff", "path"), ("tariff", "sheets"), ("tariff", "inline")}  # labels of its forms, no keys of the file

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
    return details["type"] == "too_short" and len(details["input"]) > 0


def _key_of(details: ErrorDetails, context: dict[str, Any]) -> KeyPath:
    location = details["loc"]
    if location[:2] in _TAGS:
        location = (*location[:1], *location[2:])
    # The kind of an addition is the label of its form as well.
    location = tuple(part for at, part in enumerate(location) if at < 2 or location[at - 2] != "additions")
    below = (int(part) if part.isdigit() else part for part in str(context.get("key", "")).split("/") if part)
    return (*location, *below)


def _fault(details: ErrorDetails, document: Document, model: type[BaseModel]) -> Fault:
    context: dict[str, Any] = details.get("ctx", {})
    key = _key_of(details, context)
    field = _field_at(model, key)
    if details["type"] == "extra_forbidden":
        return document.fault(key, "unknown key", _nearest(str(key[-1]), _keys_at(model, key[:-1])))
    if details["type"] == "missing":
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


def _field_at(model: type[BaseModel], key: KeyPath) -> FieldInfo | None:
    """Return the field that a key path names; list positions and names of free blocks are passed over."""
    field: FieldInfo | None = None
    current: type[BaseModel] | None = model
    for part in key:
        if current is not None and part in current.model_fields:
            field = current.model_fields[str(part)]
            current = _model_in(field.annotation)
    return field


def _keys_at(model: type[BaseModel], key: KeyPath) -> list[str]:
    current: type[BaseModel] | None = model
    for part in key:
        if current is not None and part in current.model_fields:
            current = _model_in(current.model_fields[str(part)].annotation)
    return list(current.model_fields) if current is not None else []


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for inner in get_args(annotation) if (model := _model_in(inner))), None)
