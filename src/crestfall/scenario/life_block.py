"""The years after the first: how many, how the site grows, and what is done with worn racks."""

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from crestfall.scenario._base import Block, Many, Share, check_rises, wrong

NonNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=1, le=1000)]
Yearly = Annotated[float, Field(gt=-0.5, lt=0.5)]
Year = Annotated[int, Field(ge=1, le=40)]


class RackPrice(Block):
    """What new racks cost later."""

    rack_price: NonNegative = Field(description="price of one rack at today's prices, delivered")
    works_cost: NonNegative = Field(default=0.0, description="work on site on each occasion, at today's prices")
    price_fall_frac_per_year: Annotated[float, Field(ge=0, lt=0.5)] = Field(
        default=0.0, description="share by which the racks' price falls each year"
    )


class Addition(Block):
    """Racks that join at the start of a year."""

    year: Year = Field(description="year of operation at whose start they join, 1 is the first")
    racks: Count | None = Field(
        default=None, description="how many; left out: as many as promised_usable_kwh takes in that year"
    )


class EndOfLife(Block):
    """What is done about fade."""

    then: Literal["stop", "replace", "augment"] = Field(
        default="stop",
        description="stop (no battery once its health is at the end), replace (all racks, then) or augment (add racks)",
    )
    prices: RackPrice | None = Field(default=None, description="price of later racks; needed by replace and augment")
    additions: Many[Addition] = Field(default=(), description="racks that join, for augment")
    promised_usable_kwh: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="usable energy that additions restore, kWh"
    )

    @field_validator("additions")
    @classmethod
    def _in_order(cls, additions: Many[Addition]) -> Many[Addition]:
        check_rises([one.year for one in additions], "year")
        return additions

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.then != "stop" and self.prices is None:
            raise wrong(
                f"the price of later racks beside {self.then}", "give rack_price, and how it falls", key="prices"
            )
        if self.then == "augment" and not self.additions:
            raise wrong("at least one addition beside augment", "give year and racks of each", key="additions")
        if self.then != "augment" and self.additions:
            raise wrong("no additions", f"racks join with then: augment, not with {self.then}", key="additions")
        for position, one in enumerate(self.additions):
            if one.racks is None and self.promised_usable_kwh is None:
                raise wrong(
                    "racks, or promised_usable_kwh beside additions",
                    "one of them says how many racks join",
                    key=f"additions/{position}/racks",
                )
        return self


class Life(Block):
    """The years of the study."""

    horizon_years: Year = Field(description="years of operation that are studied, from 1")
    load_growth_frac_per_year: Yearly = Field(default=0.0, description="growth of the load each year, 0.01 for 1 %")
    delivery_months: Annotated[float, Field(ge=0, le=36)] = Field(
        default=0.0, description="months between the racks' manufacture and commissioning, in which they age at rest"
    )
    delivery_soc_frac: Share = Field(default=0.5, description="state of charge in that time")
    delivery_cell_c: Annotated[float, Field(ge=-60, le=90)] = Field(
        default=25.0, description="cell temperature in that time, degrees C"
    )
    end_of_life: EndOfLife = Field(default_factory=EndOfLife, description="what is done about fade")
    respect_warranty: bool = Field(
        default=False,
        description="whether the schedule keeps the warranty's limits on cycles and throughput: a budget for each year",
    )
    wear: Literal["given", "marginal", "consistent"] = Field(
        default="given",
        description="price of wear in the schedule: given (dispatch.wear_per_kwh), marginal (what one more kWh costs"
        " under the fade law in a first year at the given price) or consistent (sought until a first year at that price"
        " gives the same); never a cash flow",
    )
    fade: Literal["law", "warranted"] = Field(
        default="law",
        description="law: as the catalogue's life; warranted: a bank's case, with health, availability and efficiency"
        " as guaranteed",
    )

    @model_validator(mode="after")
    def _additions_in_time(self) -> Self:
        for position, one in enumerate(self.end_of_life.additions):
            if one.year > self.horizon_years:
                raise wrong(
                    f"a year of at most {self.horizon_years}, the horizon",
                    "racks that join later do nothing here",
                    key=f"end_of_life/additions/{position}/year",
                )
        return self
