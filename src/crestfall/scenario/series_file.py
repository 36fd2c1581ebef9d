"""A column of interval data in a CSV file, as YAML files name it."""

import zoneinfo
from functools import cache
from typing import Annotated, Literal

from pydantic import Field, field_validator

from crestfall.scenario._base import Block, wrong

MONTH_PATTERN = r"^\d{4}-(0[1-9]|1[0-2])$"
FileName = Annotated[str, Field(min_length=1)]


class SeriesFile(Block):
    """One column of interval data in a CSV file."""

    file: FileName = Field(description="CSV file, relative to this YAML file")
    time_column: str = Field(
        default="time", description="column with the time stamps, ISO 8601, local or with UTC offset"
    )
    column: str = Field(description="column with the values")
    time_zone: str | None = Field(
        default=None, description="zone of stamps without UTC offset; left out: the zone of the site"
    )
    stamp: Literal["start", "end"] = Field(
        default="start", description="whether a stamp marks the start or the end of its step"
    )

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        return value if value is None else known_zone(value)


@cache
def _zones() -> set[str]:
    """Return all zones; the system looks through hundreds of files for them."""
    return zoneinfo.available_timezones()


def known_zone(name: str) -> str:
    """Return the name of a time zone, or raise if there is no such zone."""
    if name not in _zones():
        raise wrong("an IANA time zone", "write it as region and city, for example Europe/Lisbon, or UTC")
    return name


class Repairs(Block):
    """What may be done to damaged interval data; whatever is not allowed here is refused, or left as it is."""

    doubles: Literal["refuse", "first", "last", "mean"] = Field(
        default="refuse", description="steps that stand twice: keep the first, the last or the mean of them"
    )
    disorder: Literal["refuse", "sort"] = Field(default="refuse", description="rows out of order: sort them by time")
    gaps: Literal["refuse", "interpolate", "neighbour_weeks"] = Field(
        default="refuse",
        description="missing steps: on a line between those beside, or as weekday and hour of the weeks beside",
    )
    longest_gap_steps: Annotated[int, Field(ge=1)] = Field(
        default=8, description="longest gap that is filled, steps; a longer one is refused"
    )
    missing_month: Literal["refuse", "profile"] = Field(
        default="refuse", description="gaps of two weeks or more: as the mean week of the eight weeks around them"
    )
    register_gaps: Literal["refuse", "spread"] = Field(
        default="refuse", description="missing readings of a register: spread what it counted meanwhile evenly"
    )
    rollover: Literal["refuse", "add"] = Field(
        default="refuse", description="a register that passes its last digit: count on from there"
    )
    missing_export: Literal["refuse", "zero"] = Field(
        default="refuse", description="steps with a load and no export: take the export as zero"
    )
    changed_hour: Literal["refuse", "copy", "split"] = Field(
        default="refuse",
        description="an hour that clocks repeat, but stands once: copy it to both, or split its energy between them;"
        " one that they skip, but is filled: drop it",
    )
    units: Literal["keep", "first", "last"] = Field(
        default="keep",
        description="a part of the file that is off by 4, 60 or 1000: bring all to the unit of the first part, or the"
        " last",
    )
    zeros: Literal["keep", "gap"] = Field(
        default="keep", description="runs of zero in a load that is never zero otherwise: keep, or take as gaps"
    )
    stuck: Literal["keep", "gap"] = Field(
        default="keep", description="one value over many hours: keep, or take as gaps"
    )
    spikes: Literal["keep", "gap"] = Field(
        default="keep", description="single steps far above all others: keep, or take as gaps"
    )
    negative: Literal["refuse", "zero", "export"] = Field(
        default="refuse", description="negative load: set to zero, or count as export"
    )
