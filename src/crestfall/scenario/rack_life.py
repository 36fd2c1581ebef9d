"""How racks fade, and what their maker warrants: two blocks of the catalogue's rack."""

import itertools
from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, field_validator, model_validator

from crestfall.scenario._base import Block, Many, Share, check_rises, wrong

NonNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
Depth = Annotated[float, Field(gt=0, le=1)]
Cell = Annotated[float, Field(ge=-60, le=90)]  # cells stand more than ambient ever reaches
YearlyLoss = Annotated[float, Field(ge=0, lt=0.5)]


class CyclesAtDepth(Block):
    """A point of a data sheet's table of cycle life."""

    depth_frac: Depth = Field(description="depth of the cycles over nominal energy, 0.8 means from 90 down to 10 %")
    cycles: Positive = Field(description="cycles of this depth until the health of end_health_frac is reached")


class CycleTable(Block):
    """The data sheet's cycle life by depth, summed linearly, and a calendar rate."""

    law: Literal["cycle_table"] = Field(description="name of the fade law; it decides the other keys")
    table: Many[CyclesAtDepth] = Field(min_length=1, description="cycle life against depth, from shallow to deep")
    end_health_frac: Annotated[float, Field(gt=0, lt=1)] = Field(
        description="state of health at which the table's cycles end, as the data sheet says, for example 0.7"
    )
    calendar_loss_frac_per_year: YearlyLoss = Field(
        description="share of the nominal capacity lost by standing for a year"
    )

    @field_validator("table")
    @classmethod
    def _deeper_means_fewer(cls, points: Many[CyclesAtDepth]) -> Many[CyclesAtDepth]:
        check_rises([point.depth_frac for point in points], "depth_frac")
        for position, (shallow, deep) in enumerate(itertools.pairwise(points), start=1):
            if deep.cycles >= shallow.cycles:
                raise wrong(
                    f"cycles below {shallow.cycles:g}",
                    "deeper cycles wear more, so there are fewer of them",
                    key=f"{position}/cycles",
                )
        return points


class LfpLaws(Block):
    """Published calendar and cycle laws of an LFP/graphite cell, after Naumann et al. 2018 and 2020."""

    law: Literal["lfp_calendar_and_cycle"] = Field(description="name of the fade law; it decides the other keys")
    calendar_factor: NonNegative = Field(
        default=1.0, description="factor on the calendar law's loss and resistance, where the maker's cells stand apart"
    )
    cycle_factor: NonNegative = Field(default=1.0, description="factor on the cycle law's loss")


class LfpPowerLaw(Block):
    """Published power law of an LFP/graphite cell's charge throughput, after Wang et al. 2011."""

    law: Literal["lfp_power_law"] = Field(description="name of the fade law; it decides the other keys")
    calendar_loss_frac_per_year: YearlyLoss = Field(
        default=0.0, description="share lost by standing for a year, which that law does not know; left out: none"
    )


class CycleAndYear(Block):
    """So much for each full cycle and so much for each year."""

    law: Literal["per_cycle_and_year"] = Field(description="name of the fade law; it decides the other keys")
    loss_frac_per_full_cycle: Annotated[float, Field(ge=0, lt=0.1)] = Field(
        description="share of the nominal capacity lost with each equivalent full cycle, for example 0.00004"
    )
    calendar_loss_frac_per_year: YearlyLoss = Field(
        description="share of the nominal capacity lost by standing for a year"
    )


class HealthPoint(Block):
    """A point of a curve of health against age."""

    year: NonNegative = Field(description="age at which it holds, years since commissioning")
    health_frac: Depth = Field(description="capacity then over capacity when new")


def _falling_health(points: Many[HealthPoint]) -> Many[HealthPoint]:
    check_rises([point.year for point in points], "year")
    for position, (before, after) in enumerate(itertools.pairwise(points), start=1):
        if after.health_frac > before.health_frac:
            raise wrong(
                f"a health of at most {before.health_frac:g}",
                "capacity does not come back with age",
                key=f"{position}/health_frac",
            )
    return points


class HealthByYear(Block):
    """A given curve of health against age, whatever the use."""

    law: Literal["health_by_year"] = Field(description="name of the fade law; it decides the other keys")
    curve: Many[HealthPoint] = Field(
        min_length=1, description="health against age; linear between points, 1 at age 0 unless given"
    )

    @field_validator("curve")
    @classmethod
    def _falls(cls, points: Many[HealthPoint]) -> Many[HealthPoint]:
        return _falling_health(points)


LAWS: dict[str, type[Block]] = {
    "cycle_table": CycleTable,
    "lfp_calendar_and_cycle": LfpLaws,
    "lfp_power_law": LfpPowerLaw,
    "per_cycle_and_year": CycleAndYear,
    "health_by_year": HealthByYear,
}
RackLife = Annotated[CycleTable | LfpLaws | LfpPowerLaw | CycleAndYear | HealthByYear, Discriminator("law")]


class Warranty(Block):
    """What the maker warrants of a rack, and within which use."""

    years: Annotated[float, Field(gt=0, le=40)] = Field(description="how long it runs from commissioning, years")
    side: Literal["ac", "dc"] = Field(
        default="dc",
        description="where the contract measures energy: ac (discharged at the converters) or dc (out of the racks)",
    )
    cycle_energy: Literal["nominal", "usable"] = Field(
        default="nominal",
        description="energy of one cycle in the contract: nominal, or usable (nominal times the usable window)",
    )
    most_cycles_per_year: Positive | None = Field(
        default=None, description="most cycles in a year, by the contract's own cycle; left out: no limit"
    )
    most_cycles: Positive | None = Field(default=None, description="most cycles in all; left out: no limit")
    most_throughput_mwh: Positive | None = Field(
        default=None, description="most energy discharged in all, MWh for each rack; left out: no limit"
    )
    highest_mean_soc_frac: Depth | None = Field(
        default=None, description="highest mean state of charge over a year; left out: no limit"
    )
    lowest_cell_c: Cell | None = Field(default=None, description="lowest cell temperature allowed, degrees C")
    highest_cell_c: Cell | None = Field(default=None, description="highest cell temperature allowed, degrees C")
    health_by_year: Many[HealthPoint] = Field(
        default=(), description="guaranteed health against age; linear between points, 1 at age 0 unless given"
    )
    availability_frac: Share = Field(default=1.0, description="share of the time the maker guarantees it to be ready")
    round_trip_frac: Annotated[float, Field(ge=0.25, le=1)] | None = Field(
        default=None,
        description="guaranteed round-trip efficiency, AC to AC, for a bank's case; left out: as the catalogue",
    )

    @field_validator("health_by_year")
    @classmethod
    def _falls(cls, points: Many[HealthPoint]) -> Many[HealthPoint]:
        return _falling_health(points)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.most_cycles is not None and self.most_cycles < (self.most_cycles_per_year or 0):
            raise wrong(
                "at least most_cycles_per_year", "the cycles of one year are among the cycles in all", key="most_cycles"
            )
        lowest, highest = self.lowest_cell_c, self.highest_cell_c
        if lowest is not None and highest is not None and highest <= lowest:
            raise wrong("a value above lowest_cell_c", "the band must not be empty", key="highest_cell_c")
        if self.health_by_year and self.health_by_year[-1].year > self.years:
            raise wrong(
                f"a year of at most {self.years:g}, the end of the warranty",
                "drop the points beyond it, or raise years",
                key=f"health_by_year/{len(self.health_by_year) - 1}/year",
            )
        return self
