"""Scenarios that differ from one that was loaded in some keys."""

import copy
import difflib
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from crestfall.errors import KeyedError, KeyPath, ScenarioError, dotted
from crestfall.scenario._document import Document, shown
from crestfall.scenario._faults import faults_of, keys_at
from crestfall.scenario._load import Scenario, TariffSheet, check_scenario, load_tariff
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import ScenarioFile
from crestfall.scenario.tariff_file import TariffFile

Key = TypeVar("Key", bound=str | KeyPath)
PART = re.compile(r"([A-Za-z_][A-Za-z0-9_ -]*)((?:\[\d+\])*)")
# Where the keys of another file begin; alone, `tariff` is a key of the scenario and names the file.
OTHER_FILES: dict[str, type[BaseModel]] = {"tariff": TariffFile, "catalogue": CatalogueFile}


def path_of(text: str) -> KeyPath:
    """
    Return the path of keys that a text names.

    Parameters
    ----------
    text : str
        The path as messages show it.

    Returns
    -------
    tuple of str or int
        Keys, and places in lists.

    Raises
    ------
    KeyedError
        If the text is no path.

    Examples
    --------
    >>> path_of("tariff.energy_charges[0].rate_per_kwh")
    ('tariff', 'energy_charges', 0, 'rate_per_kwh')
    """
    parts: list[str | int] = []
    for piece in text.split("."):
        matched = PART.fullmatch(piece)
        if matched is None:
            raise _no_path(
                text, "a path of keys", "write it as messages show it: tariff.energy_charges[0].rate_per_kwh"
            )
        parts += [matched[1], *(int(place) for place in re.findall(r"\d+", matched[2]))]
    return tuple(parts)


def value_at(scenario: Scenario, path: KeyPath) -> Any:
    """
    Return the value of a key, defaults filled in.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    path : tuple of str or int
        The key.

    Returns
    -------
    object
        The value.

    Raises
    ------
    KeyedError
        If there is no such key; the nearest one is shown.
    """
    holder, model, inner = _holder(scenario, path)
    value: Any = holder
    for at, part in enumerate(inner):
        if isinstance(part, int):
            entries = value if isinstance(value, tuple) else ()
            if part >= len(entries):
                raise _no_path(dotted(path), f"a place from 0 to {len(entries) - 1}" if entries else "no place",
                               f"{dotted(path[: len(path) - len(inner) + at])} holds {len(entries)}")  # fmt: skip
            value = entries[part]
            continue
        known = (
            list(type(value).model_fields)
            if isinstance(value, BaseModel)
            else list(value or {})
            if isinstance(value, dict)
            else []
        )
        if value is None:
            known = keys_at(model, inner[:at])
            if part in known:
                return None  # its block is left out in the base
        if part not in known:
            raise _unknown(path, at + len(path) - len(inner), known)
        value = value[part] if isinstance(value, dict) else getattr(value, part)
    return value


def varied(scenario: Scenario, changes: Mapping[Key, Any]) -> Scenario:
    """
    Return a scenario in which some keys have other values; everything is checked as if it had been written so.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    changes : mapping of str or tuple to object
        New values by path, a text as messages show it or as from `path_of`; a tariff is changed as a whole by the path
        ``tariff`` and the name of a file.

    Returns
    -------
    Scenario
        The other scenario.

    Raises
    ------
    ScenarioError
        If a value cannot be used there.
    """
    by_file: dict[str, dict[KeyPath, Any]] = {}
    for key, value in changes.items():
        path = path_of(key) if isinstance(key, str) else key
        file, inner = _file_of(path)
        by_file.setdefault(file, {})[inner] = value
    found = scenario
    if own := by_file.get("scenario"):
        found = replace(found, ask=_changed(scenario, "scenario", ScenarioFile, own))
        if ("tariff",) in own:
            sheet = load_tariff(scenario.file_path(str(own["tariff",])))
            found = replace(found, contract=(TariffSheet("tariff", sheet.folder, sheet.file),))
    if own := by_file.get("tariff"):
        first, *others = found.contract
        if found.contract is not scenario.contract:
            raise _no_path("tariff", "one axis on tariff as a whole, or on its keys", "both at once do not go together")
        changed = _changed(scenario, first.document, TariffFile, own)
        found = replace(found, contract=(replace(first, file=changed), *others))
    if own := by_file.get("catalogue"):
        found = replace(found, catalogue=_changed(scenario, "catalogue", CatalogueFile, own))
    check_scenario(found)
    return found


def _file_of(path: KeyPath) -> tuple[str, KeyPath]:
    if len(path) > 1 and path[0] in OTHER_FILES:
        return str(path[0]), path[1:]
    return "scenario", path


def _holder(scenario: Scenario, path: KeyPath) -> tuple[BaseModel, type[BaseModel], KeyPath]:
    file, inner = _file_of(path)
    if file == "tariff":
        return scenario.contract[0].file, TariffFile, inner
    if file == "catalogue":
        return scenario.catalogue, CatalogueFile, inner
    return scenario.ask, ScenarioFile, inner


def _changed(scenario: Scenario, name: str, model: type[Any], changes: Mapping[KeyPath, Any]) -> Any:
    document, prefix = scenario.document(name)
    place: Any = copy.deepcopy(document.data)
    for part in prefix:
        place = place[part]
    for path, value in changes.items():
        _set(place, path, value)
    try:
        return model.model_validate(place)
    except ValidationError as error:
        faults = faults_of(error, Document(document.path, place, document.lines), model)
        raise ScenarioError(tuple(faults)) from None


def _set(data: Any, path: KeyPath, value: object) -> None:
    for part in path[:-1]:
        if isinstance(part, str) and data.get(part) is None:
            data[part] = {}
        data = data[part]
    data[path[-1]] = value


def _unknown(path: KeyPath, at: int, known: list[str]) -> KeyedError:
    close = difflib.get_close_matches(str(path[at]), known, n=1, cutoff=0.4)
    nearest = dotted((*path[:at], close[0], *path[at + 1 :])) if close else ""
    remedy = f"did you mean '{nearest}'?" if close else f"known keys here: {', '.join(known) or 'none'}"
    return _no_path(dotted(path), "a key that a scenario, its tariff or its catalogue has", remedy)


def _no_path(text: str, expected: str, remedy: str) -> KeyedError:
    return KeyedError("sweep", (), found=shown(text), expected=expected, remedy=remedy)
