"""Power along chords inside compiled loops: what an AC power is elsewhere, at the store or at the meter, and back.

The first row of the chords has their widths in AC power, in the order in which they are filled; each further row the
power elsewhere for each kW of them.
"""

from typing import Any

from crestfall.dispatch._compiled import compiled


@compiled
def through(ac_kw: float, chords: Any, row: int) -> float:
    """Return the power elsewhere for an AC power."""
    elsewhere = 0.0
    for i in range(chords.shape[1]):
        part = min(ac_kw, chords[0, i])
        elsewhere += part * chords[row, i]
        ac_kw -= part
        if ac_kw <= 0.0:
            break
    return elsewhere


@compiled
def at_terminals(kw: float, chords: Any, row: int) -> float:
    """Return the AC power for a power elsewhere.

    It is the widest where the power is more than the curve reaches; where cooling takes all that a chord would give at
    the meter, the chords before it are all that is of use.
    """
    ac = 0.0
    for i in range(chords.shape[1]):
        frac = chords[row, i]
        if frac <= 0.0 or kw <= 0.0:
            break
        part = min(kw, chords[0, i] * frac)
        ac += part / frac
        kw -= part
    return ac
