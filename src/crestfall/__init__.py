"""Crestfall: how many battery racks and power modules are worth buying at one site, run how, and how sure is that?

>>> sorted(__all__)
['Comparison', 'CrestfallError', 'Result', 'Scenario', 'SweepResult', '__version__', 'compare',
'load_scenario', 'run', 'sweep', 'varied', 'write_comparison', 'write_result']
"""

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

__version__ = version("crestfall")

if TYPE_CHECKING:
    from crestfall.errors import CrestfallError
    from crestfall.report import write_comparison, write_result
    from crestfall.scenario import Scenario, load_scenario, varied
    from crestfall.study import Comparison, Result, SweepResult, compare, run, sweep

_HOMES = {
    "Comparison": "crestfall.study",
    "CrestfallError": "crestfall.errors",
    "Result": "crestfall.study",
    "Scenario": "crestfall.scenario",
    "compare": "crestfall.study",
    "SweepResult": "crestfall.study",
    "load_scenario": "crestfall.scenario",
    "run": "crestfall.study",
    "sweep": "crestfall.study",
    "varied": "crestfall.scenario",
    "write_comparison": "crestfall.report",
    "write_result": "crestfall.report",
}

__all__ = [
    "Comparison",
    "CrestfallError",
    "Result",
    "Scenario",
    "SweepResult",
    "__version__",
    "compare",
    "load_scenario",
    "run",
    "sweep",
    "varied",
    "write_comparison",
    "write_result",
]


def __getattr__(name: str) -> Any:
    """Import a public name where it is first used, so that ``import crestfall`` stays quick."""
    if name not in _HOMES:
        raise AttributeError(f"module 'crestfall' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
