"""How the exact way is compiled: no relaxed arithmetic, and kept on disk, so that it happens once on a machine."""

import logging
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

logger = logging.getLogger(__name__)
_kept: list[Any] = []

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """
    Compile a function at its first call, or load it from an earlier process.

    The compiler keeps the result beside the source, or in the user's own cache folder where that cannot be written.

    Parameters
    ----------
    function : callable
        Loops over arrays.

    Returns
    -------
    callable
        The compiled function.
    """
    decorated = numba.njit(cache=True, error_model="numpy")(function)
    _kept.append(decorated)
    return cast(F, decorated)


@cache
def tell_of_compiling() -> None:
    """Log that the first use compiles, where nothing of it is on disk yet; it takes a minute, once on a machine.

    Once in a process is enough.
    """
    folders = {Path(function.stats.cache_path) for function in _kept}
    if not any(any(folder.glob("_store.*.nbi")) for folder in folders):
        logger.warning("compiling the optimiser: it takes a minute, once on this machine")


def inlined(function: F) -> F:
    """
    Compile a function into those that call it, where passing its arrays would take longer than its work.

    Parameters
    ----------
    function : callable
        A few operations on arrays.

    Returns
    -------
    callable
        The compiled function.
    """
    return cast(F, numba.njit(inline="always", error_model="numpy")(function))
