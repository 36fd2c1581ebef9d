"""The controller's closed forms against the plant's own curves, on both sides of every jump of staged modules."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.plant import Converter, Plant
from crestfall.replay._terminals import Terminals, ac_of, ac_relieving, ac_within, relief_of, store_of
from parts import LOSSLESS, plant_with
from strategies import curved_modules, module_with, rack_banks

POINTS = 2001
ROUNDING_KW = 1e-9 * 200
both_ways = st.booleans()


@st.composite
def plants(draw) -> Plant:
    module = draw(curved_modules(switches_off_when_idle=draw(st.booleans())))
    modules = draw(st.integers(1, 4))
    bank = draw(rack_banks(most_kw=200.0))
    return plant_with(converter=Converter.of(module, modules), rating_kva=50.0 * modules, bank=bank)


def at_store(plant: Plant, ac_kw, *, charging: bool):
    curve = plant.into_store_kw if charging else plant.out_of_store_kw
    return curve(np.asarray(ac_kw, dtype=float))


def powers(plant: Plant):
    """Return powers up to the rating, and such as lie at, just below and just above a count of modules' rating."""
    full = 50.0 * np.arange(1, plant.converter.modules + 1)
    beside = np.concatenate((full * (1 - 1e-6), full, full * (1 + 1e-6), [1e-6]))
    power = np.concatenate((np.linspace(0, plant.rating_kva, POINTS), beside))
    return np.sort(power[power <= plant.rating_kva])


@given(plant=plants(), charging=both_ways)
def test_curve_is_the_plants_own(plant, charging):
    power, curve = powers(plant), Terminals.of(plant, charging=charging)
    found = [store_of(*curve, ac) for ac in power.tolist()]
    np.testing.assert_allclose(found, at_store(plant, power, charging=charging), atol=ROUNDING_KW)


@given(plant=plants(), charging=both_ways, share=st.floats(0, 1))
def test_inverse_is_the_first_power_that_reaches_what_is_asked(plant, charging, share):
    curve, power = Terminals.of(plant, charging=charging), powers(plant)
    reached = at_store(plant, power, charging=charging)
    wanted = share * float(max(reached.max(), 0.0))
    ac = ac_of(*curve, wanted)
    assert 0 <= ac <= plant.rating_kva * (1 + 1e-8)
    # No lower power reaches it, and the power itself does, or stands below a jump that passes it by.
    assert (reached[power < ac - 1e-6] < wanted + ROUNDING_KW).all()
    got = store_of(*curve, ac)
    assert got <= wanted + ROUNDING_KW
    assert got >= wanted - ROUNDING_KW or at_store(plant, [ac * (1 + 4e-9) + 1e-9], charging=charging)[0] > wanted


@given(plant=plants(), share=st.floats(0, 1))
def test_charge_within_a_draw_is_the_highest_that_keeps_it(plant, share):
    curve, power = Terminals.of(plant, charging=True), powers(plant)
    draw = power + plant.bank.cooling_frac * plant.rack_loss_kw(power, charging=True)
    most = share * float(draw.max())
    ac = ac_within(*curve, most)
    assert (draw[power <= ac - 1e-6] <= most + ROUNDING_KW).all()
    if ac < plant.rating_kva:
        just = np.array([ac])
        assert (just + plant.bank.cooling_frac * plant.rack_loss_kw(just, charging=True))[0] == pytest.approx(
            most, abs=ROUNDING_KW
        )


@given(plant=plants(), share=st.floats(0, 1), most_share=st.floats(0, 1))
def test_a_discharge_relieves_the_meter_by_no_more_than_it_may(plant, share, most_share):
    curve = Terminals.of(plant, charging=False)

    def relief(ac: float) -> float:
        just = np.array([ac])
        return float((just - plant.bank.cooling_frac * plant.rack_loss_kw(just, charging=False))[0])

    most, may = most_share * plant.rating_kva, share * plant.rating_kva
    assert relief_of(*curve, most) == pytest.approx(relief(most), abs=ROUNDING_KW)
    ac = ac_relieving(*curve, may, most)
    assert min(may, most) <= ac <= most
    assert relief(ac) <= max(may, 0.0) + ROUNDING_KW
    if ac < most:  # all that it may
        assert relief(ac) >= may - ROUNDING_KW or relief(ac + 1e-6) > may


def test_what_a_module_loses_as_it_starts_is_drawn_from_the_store_below_it():
    """2 kW of no load and a tenth of the rest: 30 kW of AC take 35 out; at 1 kW in nothing is left, at 12 kW 8.8."""
    loss = {"no_load_frac": 0.04, "proportional_frac": 0.1, "resistive_frac": 0.0}
    converter = Converter.of(module_with(loss=loss, switches_off_when_idle=True), 2)
    plant = plant_with(**LOSSLESS, converter=converter)
    into, outof = (Terminals.of(plant, charging=way) for way in (True, False))
    assert store_of(*outof, 30.0) == pytest.approx(35.0)
    assert ac_of(*outof, 35.0) == pytest.approx(30.0)
    assert ac_of(*outof, 1.9) == 0.0  # less than what starting takes
    assert store_of(*into, 1.0) == pytest.approx(-1.1)
    assert store_of(*into, 12.0) == pytest.approx(8.8)
    assert ac_of(*into, 8.8) == pytest.approx(12.0)
    assert store_of(*into, 0.0) == store_of(*outof, 0.0) == 0.0


def test_without_modules_nothing_flows():
    nothing = replace(plant_with(rating_kva=0.0), rating_kva=0.0)
    curve = Terminals.of(nothing, charging=True)
    assert (store_of(*curve, 0.0), ac_of(*curve, 5.0), ac_within(*curve, 5.0)) == (0.0, 0.0, 0.0)
