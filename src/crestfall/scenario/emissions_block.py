"""What a kWh from the grid stands for in greenhouse gases, as the scenario gives it."""

from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from crestfall.scenario._base import Block, wrong
from crestfall.scenario.series_file import SeriesFile

# Lignite stands for little more than 1 kg/kWh (from memory); what lies above is another unit.
MOST_KG_PER_KWH = 3.0


class FactorSeries(SeriesFile):
    """Interval data of emission factors."""

    unit: Literal["kg/kWh", "g/kWh"] = Field(description="kg/kWh or g/kWh of CO2 equivalent")


def _factor_form(value: object) -> str:
    return "series" if isinstance(value, dict | FactorSeries) else "number"


Factor = Annotated[
    Annotated[Annotated[float, Field(ge=0, le=MOST_KG_PER_KWH)], Tag("number")]
    | Annotated[FactorSeries, Tag("series")],
    Discriminator(_factor_form),
]


class Emissions(Block):
    """Emission factors of the grid; they change no schedule."""

    average_kg_per_kwh: Factor | None = Field(
        default=None,
        description="CO2 equivalent of a kWh of the mix, a constant or a series: what the site's share stands for",
    )
    marginal_kg_per_kwh: Factor | None = Field(
        default=None,
        description="CO2 equivalent of the kWh that is generated more or less when the site takes more or less, a"
        " constant or a series: what a change does",
    )
    export_credited: bool = Field(
        default=False, description="whether an exported kWh takes away what an imported one adds"
    )

    @model_validator(mode="after")
    def _any(self) -> Self:
        if self.average_kg_per_kwh is None and self.marginal_kg_per_kwh is None:
            raise wrong("average_kg_per_kwh or marginal_kg_per_kwh, or both", "give a factor, or leave emissions out")
        return self
