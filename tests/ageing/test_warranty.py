"""What a warranty allows, how much of it is left, and when it is broken."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cell_uses import PER_CYCLE
from crestfall.ageing import (
    WARRANTY_COLUMNS,
    FadeState,
    LfpLaw,
    WarrantyTerms,
    YearOfUse,
    check_kept_at_rest,
    rest,
    warranted_law,
)
from crestfall.errors import KeyedError
from crestfall.scenario.catalogue_file import Rack
from strategies import catalogue_from

YEAR = YearOfUse(
    discharged_kwh=18_000.0,
    out_of_store_kwh=20_000.0,
    mean_soc_frac=0.5,
    coldest_cell_c=15.0,
    hottest_cell_c=30.0,
    health_frac=0.95,
)


def rack_with(**terms) -> Rack:
    """Return a rack of 50 kWh with a window of 0.8 and a warranty of ten years."""
    rack = catalogue_from().rack.model_dump()
    return Rack.model_validate({**rack, "warranty": {"years": 10.0, **terms}})


def terms_with(racks: int = 2, **terms) -> WarrantyTerms:
    return WarrantyTerms.of(rack_with(**terms), racks)


def years_of(n: int, **changes) -> list[YearOfUse]:
    values = {name: getattr(YEAR, name) for name in YearOfUse.__slots__}
    return [YearOfUse(**{**values, **changes}) for _ in range(n)]


@pytest.mark.parametrize(
    ("side", "energy", "cycles"),
    [
        pytest.param("dc", "nominal", 200.0, id="out of the racks, over 100 kWh"),
        pytest.param("dc", "usable", 250.0, id="out of the racks, over 80 kWh"),
        pytest.param("ac", "nominal", 180.0, id="at the converters, over 100 kWh"),
        pytest.param("ac", "usable", 225.0, id="at the converters, over 80 kWh"),
    ],
)
def test_a_cycle_is_what_the_contract_says_it_is(side, energy, cycles):
    terms = terms_with(side=side, cycle_energy=energy)
    assert terms.cycles(YEAR) == pytest.approx(cycles)
    assert terms.check([YEAR]).frame["cycles"].tolist() == pytest.approx([cycles])


def test_margins_are_what_is_left_of_each_limit():
    terms = terms_with(
        most_cycles_per_year=250.0,
        most_cycles=1000.0,
        most_throughput_mwh=40.0,
        highest_mean_soc_frac=0.6,
        lowest_cell_c=10.0,
        highest_cell_c=35.0,
        health_by_year=[{"year": 10.0, "health_frac": 0.7}],
    )
    check = terms.check(years_of(3, health_frac=0.98))
    assert tuple(check.frame.columns) == WARRANTY_COLUMNS
    last = check.frame.iloc[-1]
    assert last["cycles_margin"] == pytest.approx(50)
    assert last["cycles_total_margin"] == pytest.approx(400)
    assert last["throughput_total_margin_mwh"] == pytest.approx(80 - 60)
    assert last["mean_soc_margin_frac"] == pytest.approx(0.1)
    assert (last["cold_margin_c"], last["heat_margin_c"]) == (5.0, 5.0)
    assert last["health_margin_frac"] == pytest.approx(0.98 - 0.91)
    assert check.breaches == ()
    assert check.year_of_breach is None


@pytest.mark.parametrize(
    ("limits", "changes", "term", "year"),
    [
        pytest.param({"most_cycles_per_year": 199.0}, {}, "cycles_margin", 1, id="cycles of a year"),
        pytest.param({"most_cycles": 700.0}, {}, "cycles_total_margin", 4, id="cycles in all"),
        pytest.param({"most_throughput_mwh": 45.0}, {}, "throughput_total_margin_mwh", 5, id="throughput"),
        pytest.param({"highest_mean_soc_frac": 0.45}, {}, "mean_soc_margin_frac", 1, id="mean state of charge"),
        pytest.param({"lowest_cell_c": 16.0}, {}, "cold_margin_c", 1, id="cold"),
        pytest.param({"highest_cell_c": 29.0}, {}, "heat_margin_c", 1, id="heat"),
        pytest.param(
            {"health_by_year": [{"year": 1.0, "health_frac": 0.97}, {"year": 10.0, "health_frac": 0.7}]},
            {"health_frac": 0.93},
            "health_margin_frac",
            1,
            id="health",
        ),
    ],
)
def test_the_year_of_breach_is_the_first_beyond_a_limit(limits, changes, term, year):
    check = terms_with(**limits).check(years_of(6, **changes))
    assert [(breach.term, breach.year) for breach in check.breaches] == [(term, year)]
    assert check.year_of_breach == year
    assert check.breaches[0].margin < 0
    assert check.breaches[0].margin == check.frame[term][year - 1]


def test_breaches_come_by_year():
    check = terms_with(most_cycles=300.0, most_cycles_per_year=150.0).check(years_of(3))
    assert [(breach.term, breach.year) for breach in check.breaches] == [
        ("cycles_margin", 1),
        ("cycles_total_margin", 2),
    ]


def test_a_limit_that_is_just_reached_is_kept():
    assert terms_with(most_cycles=600.0, most_cycles_per_year=200.0).check(years_of(3)).breaches == ()


def test_after_its_end_a_warranty_says_nothing():
    check = terms_with(years=2.0, most_cycles_per_year=100.0).check(years_of(4))
    assert check.frame["cycles_margin"].isna().tolist() == [False, False, True, True]


def test_nothing_is_guaranteed_beyond_the_last_point_of_the_curve():
    terms = terms_with(health_by_year=[{"year": 5.0, "health_frac": 0.8}])
    assert terms.guaranteed_health_frac(2.5) == pytest.approx(0.9)
    assert terms.guaranteed_health_frac(6.0) is None


def test_a_rack_without_warranty_or_no_rack_has_no_terms():
    assert WarrantyTerms.of(catalogue_from().rack, 2) is None
    assert WarrantyTerms.of(rack_with(), 0) is None


def test_a_budget_spreads_what_is_left_over_the_years_that_are_left():
    terms = terms_with(most_cycles_per_year=250.0, most_cycles=2000.0, most_throughput_mwh=110.0)
    assert terms.yearly_budget_kwh() == pytest.approx(20_000)  # 2,000 cycles of 100 kWh over ten years
    assert terms.yearly_budget_kwh(years_of(4)) == pytest.approx(20_000)
    assert terms.yearly_budget_kwh(years_of(8, out_of_store_kwh=24_000.0)) == pytest.approx(4000)
    assert terms.yearly_budget_kwh(years_of(8, out_of_store_kwh=12_500.0)) == pytest.approx(25_000)  # of one year
    assert terms.yearly_budget_kwh(years_of(10)) == math.inf


def test_a_budget_that_is_used_up_is_zero():
    assert terms_with(most_cycles=300.0).yearly_budget_kwh(years_of(2)) == 0.0


def test_without_limits_the_budget_has_none():
    assert terms_with().yearly_budget_kwh() == math.inf


@settings(max_examples=30)
@given(
    asked=st.lists(st.floats(0, 60_000), min_size=10, max_size=10),
    cycles=st.floats(10, 4000),
    throughput=st.floats(1, 400),
    side=st.sampled_from(["ac", "dc"]),
)
def test_who_keeps_the_budget_keeps_the_warranty(asked, cycles, throughput, side):
    terms = terms_with(most_cycles=cycles, most_throughput_mwh=throughput, most_cycles_per_year=cycles / 2, side=side)
    done: list[YearOfUse] = []
    for kwh in asked:
        energy = min(kwh, terms.yearly_budget_kwh(done))
        done += years_of(1, discharged_kwh=energy, out_of_store_kwh=energy)
    assert terms.check(done).breaches == ()


def test_a_banks_case_is_the_guaranteed_curve():
    law = warranted_law(rack_with(health_by_year=[{"year": 10.0, "health_frac": 0.6}]))
    state = law.aged(FadeState(), rest(5.0, soc_frac=0.9, cell_c=45.0))
    assert state.health_frac == pytest.approx(0.8)


@pytest.mark.parametrize("rack", [catalogue_from().rack, rack_with(most_cycles=10.0)], ids=["no warranty", "no curve"])
def test_a_banks_case_without_a_guaranteed_curve_is_refused(rack):
    with pytest.raises(KeyedError) as caught:
        warranted_law(rack)
    assert str(caught.value) == (
        "rack.warranty: found no health_by_year, expected a guaranteed curve of health for life.fade: warranted\n"
        "    add health_by_year as the warranty states it, or write fade: law"
    )


def test_a_guarantee_that_standing_alone_would_break_is_refused():
    """Two years at rest lose 2.4 %, and 3.6 % after a year between delivery and commissioning."""
    rack = rack_with(health_by_year=[{"year": 1.0, "health_frac": 0.97}, {"year": 2.0, "health_frac": 0.965}])
    check_kept_at_rest(rack, PER_CYCLE, cell_c=25.0, soc_frac=0.1, state=FadeState())
    waited = PER_CYCLE.aged(FadeState(), rest(1.0, soc_frac=0.1, cell_c=25.0))
    with pytest.raises(KeyedError) as caught:
        check_kept_at_rest(rack, PER_CYCLE, cell_c=25.0, soc_frac=0.1, state=waited)
    assert str(caught.value) == (
        "rack.warranty.health_by_year[1].health_frac: found 0.965 at year 2, expected at most 0.964, which the fade law"
        " leaves at zero cycles\n    no schedule can keep it: check life and warranty against each other, or drop"
        " respect_warranty"
    )


def test_a_rack_without_a_guaranteed_curve_keeps_it_at_rest():
    check_kept_at_rest(catalogue_from().rack, LfpLaw(), cell_c=60.0, soc_frac=1.0, state=FadeState())


def test_margins_where_there_is_no_limit_are_open():
    margins = terms_with().check(years_of(2)).frame.filter(like="margin")
    assert np.isnan(margins.to_numpy()).all()
