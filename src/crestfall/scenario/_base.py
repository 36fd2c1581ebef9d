"""What all YAML models share."""

import itertools
from collections.abc import Sequence
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints
from pydantic_core import PydanticCustomError

Item = TypeVar("Item")


def _list_to_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


# A YAML list, kept as a tuple so that a model cannot change after reading.
Many = Annotated[tuple[Item, ...], BeforeValidator(_list_to_tuple)]
CURRENCY_PATTERN = r"^[A-Z]{3}$"
NAME_PATTERN = r"^[^\x00-\x1f]*$"
CurrencyCode = Annotated[str, StringConstraints(pattern=CURRENCY_PATTERN)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=NAME_PATTERN)]
Share = Annotated[float, Field(ge=0, le=1)]
# Losses of more than half on one way point to a wrong entry, not to a battery.
Efficiency = Annotated[float, Field(ge=0.5, le=1)]


class Block(BaseModel):
    """A block of keys: no unknown keys, no silent conversion, no NaN, never changed after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def wrong(expected: str, remedy: str, *, key: str = "") -> PydanticCustomError:
    """Return the error that a validator raises: what was expected, the remedy, and the key below its own, if any."""
    return PydanticCustomError("crestfall", "{expected}", {"expected": expected, "remedy": remedy, "key": key})


def check_rises(values: Sequence[float], name: str) -> None:
    """Raise unless each value of a table is above the one before."""
    for position, (before, value) in enumerate(itertools.pairwise(values), start=1):
        if value <= before:
            raise wrong(f"{name} above {before:g}", "put the points of the table in order", key=f"{position}/{name}")


def _whole_number(value: object) -> object:
    # A literal 1 would let true and 1.0 pass, for they are equal to it.
    if isinstance(value, bool | float):
        raise wrong("1", "")
    return value


# The only version of the file formats so far.
FormatVersion = Annotated[Literal[1], BeforeValidator(_whole_number)]
