"""The order of the packages, and what each of them shows."""

import ast
import importlib
import inspect
import re
from enum import Enum
from functools import cached_property
from pathlib import Path
from types import ModuleType

import pytest
from numpydoc.validate import validate
from pydantic import BaseModel

import crestfall

ORDER = [
    "errors",
    "scenario",
    "series",
    "tariff",
    "plant",
    "dispatch",
    "replay",
    "control",
    "ageing",
    "finance",
    "study",
    "report",
    "cli",
]
SOURCE = Path(crestfall.__file__).parent
MODULES = sorted(path for path in SOURCE.rglob("*.py") if path != SOURCE / "__init__.py")
PACKAGES = sorted(
    ".".join(path.parent.relative_to(SOURCE).parts) for path in SOURCE.rglob("__init__.py") if path.parent != SOURCE
)

# What numpydoc asks for everywhere and this project where it helps: extended summary, examples, cross references.
NOT_ASKED = {"ES01", "EX01", "SA01"}
MEMBERS = (property, cached_property, classmethod, staticmethod)
# One line is enough for a method or property whose class says the rest.
NOT_ASKED_OF_MEMBERS = {"PR01", "RT01", "YD01"}


def room_of(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


def rooms_imported(path: Path) -> set[str]:
    """Rooms that a module imports anywhere, also inside functions."""
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} has a relative import"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return {name.split(".")[1] for name in names if name.startswith("crestfall.")}


def test_every_room_has_its_place_in_the_order():
    assert {room_of(path) for path in MODULES} <= set(ORDER)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(SOURCE)))
def test_a_room_imports_only_from_rooms_above_it(path):
    place = ORDER.index(room_of(path))
    others = rooms_imported(path) - set(dir(crestfall))
    assert [room for room in others if room in ORDER and ORDER.index(room) > place] == []


def names_bound_in(module: ModuleType) -> set[str]:
    """Public names that a package's `__init__` imports or defines, whatever `__all__` says."""
    names: set[str] = set()
    for node in ast.parse(Path(module.__file__).read_text(encoding="utf-8")).body:
        match node:
            case ast.Import() | ast.ImportFrom():
                names |= {(alias.asname or alias.name).split(".")[0] for alias in node.names}
            case ast.FunctionDef() | ast.ClassDef():
                names.add(node.name)
            case ast.Assign():
                names |= {target.id for target in node.targets if isinstance(target, ast.Name)}
    return {name for name in names if not name.startswith("_")}


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_lists_exactly_what_it_shows(package):
    module = importlib.import_module(f"crestfall.{package}")
    assert sorted(module.__all__) == sorted(names_bound_in(module))


def documented_objects() -> list[str]:
    """Public functions, classes and their public members."""
    found = []
    for package in PACKAGES:
        module = importlib.import_module(f"crestfall.{package}")
        for name in module.__all__:
            thing = getattr(module, name)
            if not (inspect.isclass(thing) or inspect.isfunction(thing)):
                continue
            found.append(f"crestfall.{package}.{name}")
            if inspect.isclass(thing):
                members = ((key, value) for key, value in vars(thing).items() if not key.startswith("_"))
                found += [
                    f"crestfall.{package}.{name}.{key}"
                    for key, value in members
                    if inspect.isfunction(value) or isinstance(value, MEMBERS)
                ]
    return found


def taken_apart(name: str) -> tuple[str, str, str]:
    """Package, public name in it, and member of that or nothing."""
    package = max((one for one in PACKAGES if name.startswith(f"crestfall.{one}.")), key=len)
    thing, _, member = name.removeprefix(f"crestfall.{package}.").partition(".")
    return package, thing, member


def is_described_elsewhere(name: str, error: tuple[str, str]) -> bool:
    """Whether a missing parameter is private, or a key of a YAML model, described there; an Enum is never called."""
    package, thing, _ = taken_apart(name)
    home = getattr(importlib.import_module(f"crestfall.{package}"), thing)
    is_model = inspect.isclass(home) and issubclass(home, BaseModel | Enum)
    undocumented = re.findall(r"'(\w+)'", error[1])
    return error[0] == "PR01" and (is_model or all(parameter.startswith("_") for parameter in undocumented))


@pytest.mark.parametrize("name", documented_objects())
def test_a_public_object_is_documented(name):
    errors = [error for error in validate(name)["errors"] if error[0] not in NOT_ASKED]
    if taken_apart(name)[2]:
        errors = [error for error in errors if error[0] not in NOT_ASKED_OF_MEMBERS]
    assert [error for error in errors if not is_described_elsewhere(name, error)] == []


def test_packages_inside_rooms_are_looked_at_as_well():
    assert {"series", "series.meter", "series.model"} <= set(PACKAGES)


@pytest.mark.parametrize("name", crestfall.__all__)
def test_a_public_name_of_crestfall_can_be_imported(name):
    assert getattr(crestfall, name) is not None


def test_crestfall_shows_what_it_lists():
    assert dir(crestfall) == sorted(crestfall.__all__)


def test_crestfall_has_no_other_name():
    with pytest.raises(AttributeError, match="module 'crestfall' has no attribute 'battery'"):
        _ = crestfall.battery
