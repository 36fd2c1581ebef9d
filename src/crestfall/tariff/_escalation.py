"""A tariff in later years: every rate risen as its group rises."""

from crestfall.scenario import TariffFile
from crestfall.scenario._base import Block

# What holds money per unit, by the beginning of its key; shares, quantities and times do not rise.
MONEY = ("rate_per_", "excess_rate", "amount_per_", "adder_per_", "floor_per_", "cap_per_", "settlement_rate_per_")
MULTIPLIER = "multiplier"  # of a price series, whose prices stand in a file


def escalated(tariff: TariffFile, years: int) -> TariffFile:
    """
    Return a tariff as it is so many years after the first, each group of lines risen by its own share a year.

    Parameters
    ----------
    tariff : TariffFile
        The tariff of the first year.
    years : int
        Years since, not negative.

    Returns
    -------
    TariffFile
        The same clauses with higher rates and amounts.

    Raises
    ------
    ValueError
        If `years` is negative.
    """
    if years < 0:
        raise ValueError(f"years is {years}, expected 0 or more")
    rise = tariff.escalation
    groups = (
        (rise.energy_frac_per_year, ("energy_charges",)),
        (rise.demand_frac_per_year, ("demand_charges", "capacity_charges", "coincident_charges", "reactive_charges")),
        (rise.fixed_frac_per_year, ("fixed_charges", "minimum_bill")),
        (rise.export_frac_per_year, ("export", "event_payments")),
    )
    changes = {key: _risen(getattr(tariff, key), (1 + share) ** years) for share, keys in groups for key in keys}
    return tariff.model_copy(update=changes)


def _risen(value: object, factor: float) -> object:
    """Return a block, or a list of them, with all money in it times a factor."""
    if isinstance(value, tuple):
        return tuple(_risen(item, factor) for item in value)
    if not isinstance(value, Block):
        return value
    changes: dict[str, object] = {}
    for name in type(value).model_fields:
        content = getattr(value, name)
        if isinstance(content, float) and (name.startswith(MONEY) or name == MULTIPLIER):
            changes[name] = content * factor
        elif isinstance(content, Block | tuple):
            changes[name] = _risen(content, factor)
    return value.model_copy(update=changes)
