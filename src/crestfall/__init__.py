"""Crestfall: how many battery racks and power modules are worth buying at one site, run how, and how sure is that?

>>> sorted(__all__)
['CrestfallError', 'Result', 'Scenario', '__version__', 'load_scenario', 'run', 'write_result']
"""

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

__version__ = version("crestfall")

if TYPE_CHECKING:
    from crestfall.errors import CrestfallError
    from crestfall.report import write_result
    from crestfall.scenario import Scenario, load_scenario
    from crestfall.study import Result, run

_HOMES = {
    "CrestfallError": "crestfall.errors",
    "Result": "crestfall.study",
    "Scenario": "crestfall.scenario",
    "load_scenario": "crestfall.scenario",
    "run": "crestfall.study",
    "write_result": "crestfall.report",
}

__all__ = ["CrestfallError", "Result", "Scenario", "__version__", "load_scenario", "run", "write_result"]


def __getattr__(name: str) -> Any:
    """Import a public name where it is first used, so that ``import crestfall`` stays quick."""
    if name not in _HOMES:
        raise AttributeError(f"module 'crestfall' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
