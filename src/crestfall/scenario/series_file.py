"""A column of interval data in a CSV file, as YAML files name it."""

import zoneinfo
from typing import Annotated, Literal

from pydantic import Field, field_validator

from crestfall.scenario._base import Block, wrong

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


def known_zone(name: str) -> str:
    """Return the name of a time zone, or raise if there is no such zone."""
    if name not in zoneinfo.available_timezones():
        raise wrong("an IANA time zone", "write it as region and city, for example Europe/Lisbon, or UTC")
    return name
