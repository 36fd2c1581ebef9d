"""What the years after the first are worked out from, and whether they can be: checked before anything is solved."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing import (
    FadeLaw,
    FadeState,
    RackGroup,
    cell_temperature_c,
    check_kept_at_rest,
    law_of,
    plant_as_guaranteed,
    rest,
    warranted_law,
)
from crestfall.errors import KeyedError
from crestfall.finance import ProjectYears, appraise, capital_breakdown, offers
from crestfall.plant import Option, Plant, build_plant
from crestfall.scenario import Scenario
from crestfall.scenario.catalogue_file import Rack
from crestfall.scenario.life_block import Life as LifeBlock
from crestfall.series import SiteSeries

MONTHS_PER_YEAR = 12.0


@dataclass(frozen=True, kw_only=True)
class LifeTerms:
    """How the racks of a study live.

    Parameters
    ----------
    scenario : Scenario
        What was asked.
    life : block of the scenario
        Horizon, growth, and what is done about fade.
    law : FadeLaw
        How racks fade.
    cell_c : ndarray of shape (n_steps,)
        Cell temperature in each step of the year [degrees C].
    new_state : FadeState
        What racks have lost when they are commissioned.
    """

    scenario: Scenario
    life: LifeBlock
    law: FadeLaw
    cell_c: NDArray[np.float64]
    new_state: FadeState

    @classmethod
    def of(cls, scenario: Scenario, series: SiteSeries) -> "LifeTerms":
        """Return the terms of a scenario with a life; raise KeyedError if the catalogue does not say how racks fade."""
        life, rack = scenario.ask.life, scenario.catalogue.rack
        if life is None:
            raise ValueError("the scenario has no life")
        law, delivered = _law(life, rack), FadeState()
        if life.fade == "law":  # a guaranteed curve begins at commissioning
            years = life.delivery_months / MONTHS_PER_YEAR
            delivered = law.aged(delivered, rest(years, soc_frac=life.delivery_soc_frac, cell_c=life.delivery_cell_c))
        cell_c = cell_temperature_c(series.temperature_c, rack.thermal, n_steps=series.n_steps)
        return cls(scenario=scenario, life=life, law=law, cell_c=cell_c, new_state=delivered)

    @property
    def rack(self) -> Rack:
        """The catalogue's rack."""
        return self.scenario.catalogue.rack

    def group(self, racks: int, *, year: int) -> RackGroup:
        """Return new racks that join at the start of a year."""
        return RackGroup(racks=racks, nominal_kwh=racks * self.rack.energy_kwh, joined_year=year, state=self.new_state)

    def plant(self, racks: int) -> Plant:
        """Return the plant of so many new racks, as efficient as guaranteed in a bank's case."""
        if racks not in self._plants:
            self._plants[racks] = self._built(racks)
        return self._plants[racks]

    @cached_property
    def _plants(self) -> dict[int, Plant]:
        """Plants by their racks: as a rule all years have the same number of them."""
        return {}

    def _built(self, racks: int) -> Plant:
        ask, warranty = self.scenario.ask, self.rack.warranty
        option = Option(racks, ask.option.modules)
        plant = build_plant(self.scenario.catalogue, option, modules_out=ask.availability.modules_out)
        if self.life.fade == "law" or warranty is None or warranty.round_trip_frac is None:
            return plant
        return plant_as_guaranteed(plant, warranty.round_trip_frac)


def _law(life: LifeBlock, rack: Rack) -> FadeLaw:
    if life.fade == "warranted":
        return warranted_law(rack)
    if rack.life is None:
        raise KeyedError(
            "catalogue",
            ("rack", "life"),
            found="nothing",
            expected="a law of fade, since the scenario asks for the years of life",
            remedy="say how the rack fades (crestfall schema catalogue lists the laws), or drop life from the scenario",
        )
    return law_of(rack.life)


def check_life(scenario: Scenario, plant: Plant, series: SiteSeries) -> None:
    """
    Raise if the years of a scenario's life cannot be studied.

    Parameters
    ----------
    scenario : Scenario
        The scenario; one without a life or without a battery passes.
    plant : Plant
        The option's plant.
    series : SiteSeries
        The site's year.

    Raises
    ------
    KeyedError
        If there is no law of fade, the racks that join do not fit, the warranty cannot be kept, or a contract of the
        money block outlives the horizon.
    """
    life = scenario.ask.life
    if life is None or not plant.option.is_battery:
        return
    terms = LifeTerms.of(scenario, series)
    terms.plant(plant.option.racks)
    _check_additions(terms)
    _check_warranty(terms)
    _check_contracts(terms, plant)


def _check_additions(terms: LifeTerms) -> None:
    racks = terms.scenario.ask.option.racks
    for place, addition in enumerate(terms.life.end_of_life.additions):
        if addition.racks is None:
            continue  # how many it takes is found in its year
        racks += addition.racks
        check_room(terms, racks, place=place)


def check_room(terms: LifeTerms, racks: int, *, place: int) -> None:
    """Raise at an addition if the catalogue does not allow so many racks beside the option's modules."""
    try:
        terms.plant(racks)
    except KeyedError as error:
        raise KeyedError(
            "scenario",
            ("life", "end_of_life", "additions", place),
            found=f"{racks} racks in all",
            expected=error.expected,
            remedy="let fewer racks join, or choose an option with room for them",
        ) from None


def _check_warranty(terms: LifeTerms) -> None:
    life, rack = terms.life, terms.rack
    if not life.respect_warranty:
        return
    if rack.warranty is None:
        raise KeyedError(
            "catalogue",
            ("rack", "warranty"),
            found="nothing",
            expected="a warranty, since life.respect_warranty asks the schedule to keep it",
            remedy="add what the contract says, or drop respect_warranty",
        )
    if terms.scenario.ask.policy == "rules":
        raise KeyedError(
            "scenario",
            ("life", "respect_warranty"),
            found="true beside policy rules",
            expected="policy rolling or hindsight, whose plans can be held to a budget of cycles",
            remedy="drop respect_warranty; the warranty's margins are shown in any case",
        )
    check_kept_at_rest(
        rack, terms.law, cell_c=float(terms.cell_c.mean()), soc_frac=rack.lowest_soc_frac, state=terms.new_state
    )


def _check_contracts(terms: LifeTerms, plant: Plant) -> None:
    """Let finance look at empty years: loan, lease and shared savings must end within the horizon."""
    n, money = terms.life.horizon_years, terms.scenario.ask.money
    nothing = np.zeros(n)
    years = ProjectYears(
        lines=("none",),
        line_savings=np.zeros((n, 1)),
        replacement_cost=nothing,
        discharged_kwh=nothing,
        charging_cost=nothing,
    )
    capital = capital_breakdown(plant, terms.scenario.catalogue, money)
    appraise(years, capital, money)
    offers(years, capital, money)
