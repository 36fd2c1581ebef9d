"""Currents and converter efficiencies against their formulas, worked out by themselves."""

import math

import pytest

from crestfall.plant import Converter, ac_current_a, dc_current_a, weighted_efficiency
from crestfall.scenario.catalogue_file import Module

ROUNDING_A = 0.0005  # amperes are given to three digits
ROUNDING_PERCENT = 0.00005


# Balanced three-phase power: S = sqrt(3) V I, V between phases; computed from it.
@pytest.mark.parametrize(
    ("apparent_kva", "volts", "amperes"),
    [
        (50, 400, 72.169),
        (100, 400, 144.338),
        (250, 400, 360.844),
        (500, 400, 721.688),
        (1000, 400, 1443.376),
        (250, 480, 300.703),
        (500, 480, 601.407),
        (1000, 690, 836.740),
    ],
)
def test_current_per_phase_of_a_balanced_load(apparent_kva, volts, amperes):
    assert ac_current_a(apparent_kva, volts) == pytest.approx(amperes, abs=ROUNDING_A)
    assert math.sqrt(3) * volts * ac_current_a(apparent_kva, volts) == pytest.approx(1000 * apparent_kva)


# Behind a converter: I = P / (efficiency V); computed from it.
@pytest.mark.parametrize(
    ("power_kw", "volts", "efficiency", "amperes"),
    [(100, 768, 1.0, 130.208), (250, 768, 0.97, 335.588), (250, 600, 0.97, 429.553)],
)
def test_direct_current_behind_a_converter(power_kw, volts, efficiency, amperes):
    assert dc_current_a(power_kw, volts, efficiency_frac=efficiency) == pytest.approx(amperes, abs=ROUNDING_A)


def test_six_modules_of_50_kva_make_300_kva():
    # Common practice, without a source: modules in parallel add up.
    assert ac_current_a(6 * 50, 400) == pytest.approx(433, abs=0.5)


# Ampacity of copper, three loaded conductors insulated with XLPE (90 degrees C), clipped to a wall (method C) in air of
# 30 degrees C: table B.52.5 of IEC 60364-5-52:2009, read in secondary texts that restate it, not in the standard. The
# factor for another temperature is sqrt((90 - ambient) / (90 - 30)), 0.91 at 40 degrees C there. Only as information:
# the currents worked out here are of the size that such tables are made for. Nothing in the package sizes a conductor.
AMPACITY_A = {95: 278.0, 185: 424.0}


def test_currents_are_of_the_size_of_published_ampacities():
    assert math.sqrt((90 - 40) / (90 - 30)) == pytest.approx(0.91, abs=0.005)
    assert AMPACITY_A[95] < ac_current_a(250, 400) < 0.91 * AMPACITY_A[185]
    assert ac_current_a(300, 400) > AMPACITY_A[185]


# A loss of 0.4 % of the rating at no load, 0.6 % in proportion to load, 1.0 % with its square: efficiencies computed as
# load / (load + loss). Weights of the European and the Californian (CEC) efficiency as published at
# https://www.anernstore.com/blogs/diy-solar-guides/cec-vs-eu-efficiency-weighting; both were made for photovoltaic duty
# and say little about a battery's.
EUROPEAN = {0.05: 0.03, 0.10: 0.06, 0.20: 0.13, 0.30: 0.10, 0.50: 0.48, 1.00: 0.20}
CALIFORNIAN = {0.10: 0.04, 0.20: 0.05, 0.30: 0.12, 0.50: 0.21, 0.75: 0.53, 1.00: 0.05}
EFFICIENCY_PERCENT = {
    0.05: 92.0387,
    0.10: 95.5110,
    0.20: 97.2763,
    0.30: 97.8155,
    0.50: 98.1354,
    0.75: 98.1515,
    1.00: 98.0392,
}


@pytest.fixture(params=[1, 6], ids=["one module", "six modules"])
def converter(request) -> Converter:
    """Modules with that loss; together they share load evenly, so that their number does not matter."""
    loss = {"no_load_frac": 0.004, "proportional_frac": 0.006, "resistive_frac": 0.010}
    keys = {"name": "M", "rating_kva": 50.0, "loss": loss, "standby_kw": 0.0, "price": 0.0}
    return Converter.of(Module.model_validate(keys), request.param)


@pytest.mark.parametrize(("load", "percent"), EFFICIENCY_PERCENT.items())
def test_efficiency_at_a_load(converter, load, percent):
    assert 100 * weighted_efficiency(converter, {load: 1.0}) == pytest.approx(percent, abs=ROUNDING_PERCENT)


@pytest.mark.parametrize(
    ("weights", "percent"),
    [pytest.param(EUROPEAN, 97.6321, id="European"), pytest.param(CALIFORNIAN, 97.9528, id="Californian")],
)
def test_weighted_efficiency(converter, weights, percent):
    assert sum(weights.values()) == pytest.approx(1.0)
    assert 100 * weighted_efficiency(converter, weights) == pytest.approx(percent, abs=ROUNDING_PERCENT)
