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
from crestfall.scenario._load import Scenario, check_scenario, with_files_of
from crestfall.scenario.catalogue_file import CatalogueFile
from crestfall.scenario.scenario_file import ScenarioFile
from crestfall.scenario.tariff_file import TariffFile

Key = TypeVar("Key", bound=str | KeyPath)
PART = re.compile(r"([A-Za-z_][A-Za-z0-9_ -]*)((?:\[\d+\])*)")
# Where the keys of another file begin; alone, or with a place, `tariff` is a key of the scenario and names the file.
OTHER_FILES: dict[str, type[BaseModel]] = {"tariff": TariffFile, "catalogue": CatalogueFile}
NAMES_OF_FILES = frozenset({"tariff", "tariff_choices", "catalogue"})  # keys of the scenario whose content is read


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
        above = dotted(path[: len(path) - len(inner) + at])
        if isinstance(part, int):
            if not isinstance(value, tuple):
                raise _no_path(dotted(path), "no place in a list", f"{above} is none; leave [{part}] out")
            if part >= len(value):
                expected = f"a place from 0 to {len(value) - 1}" if value else "no place in an empty list"
                raise _no_path(dotted(path), expected, f"{above} holds {len(value)}")
            value = value[part]
            continue
        if isinstance(value, tuple):
            remedy = f"write {above}[0].{part} for its first entry; it holds {len(value)}"
            raise _no_path(dotted(path), f"a place in the list {above}", remedy)
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
            if not known:
                raise _no_path(dotted(path), "a key that ends there", f"{above} holds one value and no further keys")
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
        New values by path, a text as messages show it or as from `path_of`; tariff and catalogue are changed as a whole
        by the paths ``tariff`` and ``catalogue`` and the name of a file.

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
        ask, document = _changed(scenario, "scenario", ScenarioFile, own)
        found = replace(found, ask=ask)
        if files := NAMES_OF_FILES.intersection(str(path[0]) for path in own):
            found = with_files_of(found, document, files)
    for file in OTHER_FILES:
        if file in by_file and any(path[0] == file for path in by_file.get("scenario", {})):
            raise _no_path(file, f"{file} as a whole, or its keys", "both at once do not go together")
    if own := by_file.get("tariff"):
        first, *others = found.contract
        file, _ = _changed(scenario, first.document, TariffFile, own)
        found = replace(found, contract=(replace(first, file=file), *others))
    if own := by_file.get("catalogue"):
        catalogue, _ = _changed(scenario, "catalogue", CatalogueFile, own)
        found = replace(found, catalogue=catalogue)
    check_scenario(found)
    return found


def _file_of(path: KeyPath) -> tuple[str, KeyPath]:
    if len(path) > 1 and path[0] in OTHER_FILES and isinstance(path[1], str):  # tariff[1] is a sheet of several
        return str(path[0]), path[1:]
    return "scenario", path


def _holder(scenario: Scenario, path: KeyPath) -> tuple[BaseModel, type[BaseModel], KeyPath]:
    file, inner = _file_of(path)
    if file == "tariff":
        return scenario.contract[0].file, TariffFile, inner
    if file == "catalogue":
        return scenario.catalogue, CatalogueFile, inner
    return scenario.ask, ScenarioFile, inner


def _changed(scenario: Scenario, name: str, model: type[Any], changes: Mapping[KeyPath, Any]) -> tuple[Any, Document]:
    """Return a file with some keys changed, and as it would be written."""
    document, prefix = scenario.document(name)
    place: Any = copy.deepcopy(document.data)
    for part in prefix:
        place = place[part]
    for path, value in changes.items():
        _set(place, path, value)
    changed = Document(document.path, place, document.lines)
    try:
        return model.model_validate(place), changed
    except ValidationError as error:
        raise ScenarioError(tuple(faults_of(error, changed, model))) from None


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
