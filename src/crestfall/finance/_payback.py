"""When the first year's saving would have paid for an option."""


def simple_payback_years(capital: float, yearly_saving: float) -> float | None:
    """
    Return capital over yearly saving: no interest, no fade, every year like the first.

    Parameters
    ----------
    capital : float
        What is spent at the start.
    yearly_saving : float
        What the first year saves.

    Returns
    -------
    float or None
        Years [a]; None if nothing is spent or nothing is saved.

    Examples
    --------
    >>> simple_payback_years(120_000.0, 15_000.0)
    8.0
    >>> simple_payback_years(120_000.0, -3.0) is None
    True
    """
    return capital / yearly_saving if capital > 0 and yearly_saving > 0 else None
