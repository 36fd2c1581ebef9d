"""How the exact way is compiled: no relaxed arithmetic, and kept on disk, so that it happens once on a machine."""

from collections.abc import Callable
from typing import Any, TypeVar

import numba

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
    decorated: F = numba.njit(cache=True, error_model="numpy")(function)
    return decorated


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
    decorated: F = numba.njit(inline="always", error_model="numpy")(function)
    return decorated
