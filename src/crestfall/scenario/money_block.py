"""Money beside the parts' prices: what is spent, how it is discounted, taxed and financed."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from crestfall.scenario._base import Block, CurrencyCode, Share, wrong

NonNegative = Annotated[float, Field(ge=0)]
Rate = Annotated[float, Field(gt=-0.5, le=1)]
Years = Annotated[int, Field(ge=1, le=40)]
Terms = Literal["nominal", "real"]


class YearlyCost(Block):
    """A cost that comes back each year."""

    amount_per_year: NonNegative = Field(default=0.0, description="amount in the first year")
    frac_of_capital: Share = Field(default=0.0, description="share of the capital cost as well, each year")
    escalation_frac_per_year: Rate = Field(default=0.0, description="rise from one year to the next, 0.02 for 2 %")


class Grant(Block):
    """Money given towards the capital cost; it lowers what is depreciated."""

    amount: NonNegative = Field(default=0.0, description="amount")
    frac_of_capital: Share = Field(default=0.0, description="share of the capital cost as well")


class Discount(Block):
    """The rate at which later money counts less."""

    rate_frac: Rate = Field(description="discount rate a year, 0.08 for 8 %")
    terms: Terms = Field(
        description="nominal (rates as banks quote them, prices rise) or real (inflation taken out, prices of today)"
    )
    timing: Literal["end_of_year", "mid_year"] = Field(
        default="end_of_year", description="when the flows of a year are taken to come; the capital is spent at 0"
    )
    reinvestment_rate_frac: Rate | None = Field(
        default=None,
        description="what receipts earn until the end, for the modified rate of return; left out: rate_frac",
    )


class Tax(Block):
    """Tax on the profit that the battery adds."""

    rate_frac: Annotated[float, Field(ge=0, lt=1)] = Field(description="tax on profit")
    depreciation: Literal["straight_line", "declining"] = Field(
        default="straight_line", description="equal parts, or a share of what is left, the rest in the last year"
    )
    depreciation_years: Years = Field(description="years over which the capital is written off")
    declining_frac: Annotated[float, Field(gt=0, lt=1)] | None = Field(
        default=None, description="share of what is left, for declining; left out: twice the straight line's"
    )
    losses: Literal["offset", "carried_forward"] = Field(
        default="offset", description="a loss lowers tax on the firm's other profit at once, or waits for later profit"
    )

    @model_validator(mode="after")
    def _declining_only(self) -> Self:
        if self.depreciation == "straight_line" and self.declining_frac is not None:
            raise wrong("no declining_frac beside straight_line", "write depreciation: declining", key="declining_frac")
        return self


class Loan(Block):
    """A loan that is paid back in equal yearly instalments."""

    share_frac: Annotated[float, Field(gt=0, le=1)] = Field(description="share of the capital less grants")
    rate_frac: Annotated[float, Field(ge=0, le=1)] = Field(description="interest a year, nominal, 0.05 for 5 %")
    years: Years = Field(description="number of yearly instalments")


class Lease(Block):
    """The battery is rented."""

    rent_per_month: NonNegative = Field(description="rent in the first year")
    escalation_frac_per_year: Rate = Field(default=0.0, description="rise of the rent from one year to the next")
    years: Years = Field(description="years of the lease; then the battery goes back")
    service_included: bool = Field(default=True, description="whether the rent covers service and insurance")


class SharedSavings(Block):
    """The seller owns and runs the battery and is paid a share of what it saves."""

    seller_frac: Annotated[float, Field(gt=0, le=1)] = Field(description="share of the yearly saving that is paid")
    years: Years = Field(description="years of the contract; then the battery goes back")


class Seller(Block):
    """The other side of the table."""

    cost_frac: Annotated[float, Field(gt=0, le=2)] = Field(
        description="what capital and replacements cost the seller, as a share of what the buyer would pay"
    )
    rate_frac: Rate = Field(description="the seller's discount rate, in the same terms as the buyer's")


class Money(Block):
    """Money beside the parts' prices."""

    currency: CurrencyCode = Field(description="three-letter currency code; tariff and catalogue must use the same")
    installation_cost: NonNegative = Field(
        default=0.0, description="design, works, connection and commissioning of this option, once"
    )
    balance_of_system_cost: NonNegative = Field(
        default=0.0, description="switchgear, cables, transformer, controls beside the catalogue's parts, once"
    )
    design_cost: NonNegative = Field(default=0.0, description="design, permits and tests where they stand apart, once")
    contingency_frac: Share = Field(default=0.0, description="allowance for what nobody thought of, share of the rest")
    grant: Grant | None = Field(default=None, description="money given towards the capital cost; left out: none")
    service: YearlyCost = Field(default_factory=YearlyCost, description="service contract, each year")
    insurance: YearlyCost = Field(default_factory=YearlyCost, description="insurance, each year")
    land: YearlyCost = Field(default_factory=YearlyCost, description="rent of land or room, each year")
    residual_frac: Share = Field(default=0.0, description="value at the horizon, share of the parts' price")
    decommissioning_cost: NonNegative = Field(
        default=0.0, description="taking down and disposal at the horizon, in money of that year"
    )
    discount: Discount | None = Field(default=None, description="discount rate; left out: no value of later money")
    escalation_terms: Terms = Field(
        default="nominal",
        description="what every escalation is stated in, here, in the tariff and in life: nominal (inflation included)"
        " or real (beyond it); it must be that of the discount rate",
    )
    tax: Tax | None = Field(default=None, description="tax on profit; left out: none")
    loan: Loan | None = Field(default=None, description="loan; left out: none")
    lease: Lease | None = Field(default=None, description="an offer to rent the battery; left out: none")
    shared_savings: SharedSavings | None = Field(
        default=None, description="an offer to share the savings; left out: none"
    )
    seller: Seller | None = Field(default=None, description="the seller's costs, for the margin; left out: not shown")

    @property
    def escalations(self) -> dict[str, float]:
        """Escalation of each line in this block, by its key."""
        lines = {line: getattr(self, line).escalation_frac_per_year for line in ("service", "insurance", "land")}
        return lines | ({"lease": self.lease.escalation_frac_per_year} if self.lease else {})

    @model_validator(mode="after")
    def _one_kind_of_money(self) -> Self:
        if self.discount is None:
            if self.loan is not None:
                raise wrong("a discount rate beside loan", "give rate_frac and terms", key="discount")
            return self
        terms, stated = self.discount.terms, self.escalation_terms
        for line, rise in self.escalations.items():
            if rise and terms != stated:
                raise wrong(
                    f"an escalation in {terms} terms, as the discount rate",
                    f"{stated} escalation and {terms} discounting do not mix; restate one, and set escalation_terms",
                    key=f"{line}/escalation_frac_per_year",
                )
        for key in ("loan", "tax"):
            if terms == "real" and getattr(self, key) is not None:
                raise wrong(
                    f"no {key} beside a real discount rate",
                    "instalments and depreciation are fixed in nominal money; discount at a nominal rate",
                    key=key,
                )
        return self
