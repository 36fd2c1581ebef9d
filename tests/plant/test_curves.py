"""Losses against power, and the chords that stand for them in a linear program: never better than the truth."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.dispatch import Curve
from crestfall.plant import Converter, RackBank, segments, weighted_efficiency
from crestfall.plant._curves import _convex_above, _hull_below
from parts import plant_with
from strategies import curved_modules, loss_curves, module_with, rack_banks

EURO_WEIGHTS = {0.05: 0.03, 0.1: 0.06, 0.2: 0.13, 0.3: 0.1, 0.5: 0.48, 1.0: 0.2}
KVADER = {"no_load_frac": 0.004, "proportional_frac": 0.006, "resistive_frac": 0.01}
IDEAL_RACKS = RackBank(charge_frac=1.0, discharge_frac=1.0, square_per_kw=0.0, cooling_frac=0.0)
counts = st.integers(1, 8)
ROUNDING_KW = 1e-8  # sums of some hundred kW over some hundred pieces


def plant_of(converter: Converter, bank: RackBank):
    """Return a plant whose racks take and give whatever the modules can."""
    unlimited = {"into_limit_kw": 1e6, "outof_limit_kw": 1e6}
    return plant_with(rating_kva=converter.modules * converter.rating_kva, converter=converter, bank=bank, **unlimited)


def powers_upto(plant) -> np.ndarray:
    """Return powers all over the range, close ones near zero among them."""
    return plant.rating_kva * np.concatenate([[0.0], np.geomspace(1e-4, 0.01, 30), np.linspace(0.01, 1, 400)])


def chords_of(plant) -> tuple[Curve, Curve]:
    return Curve.charging(plant.charge_segments), Curve.discharging(plant.discharge_segments)


# --- the chords keep to the lossy side --------------------------------------------------------------------------------


@given(module=curved_modules(), modules=counts, bank=rack_banks())
def test_chords_never_store_more_than_the_true_curve(module, modules, bank):
    plant = plant_of(Converter.of(module, modules), bank)
    power = powers_upto(plant)
    assert (chords_of(plant)[0].at_store(power) <= plant.into_store_kw(power) + ROUNDING_KW).all()


@given(module=curved_modules(), modules=counts, bank=rack_banks())
def test_chords_never_take_less_out_of_the_store_than_the_true_curve(module, modules, bank):
    plant = plant_of(Converter.of(module, modules), bank)
    power = powers_upto(plant)
    assert (chords_of(plant)[1].at_store(power) >= plant.out_of_store_kw(power) - ROUNDING_KW).all()


def test_chords_keep_to_the_lossy_side_of_a_table_that_bends_between_the_points_of_the_grid():
    """Loss of 0.001 to 1.5 % load, 0.011 at 2.7 %, hardly more above: a corner between 1/72 and 2/72 of the rating."""
    points = [(0.015, 0.001), (0.027, 0.011), (1.0, 0.0111)]
    table = [{"load_frac": load, "efficiency_frac": load / (load + loss)} for load, loss in points]
    plant = plant_of(Converter.of(module_with(efficiency_curve=table), 1), IDEAL_RACKS)
    power = np.linspace(0, 50, 5001)
    assert (chords_of(plant)[0].at_store(power) <= plant.into_store_kw(power) + ROUNDING_KW).all()
    assert (chords_of(plant)[1].at_store(power) >= plant.out_of_store_kw(power) - ROUNDING_KW).all()


@given(module=curved_modules(), modules=counts, bank=rack_banks())
def test_chords_draw_no_less_with_cooling_for_what_they_store(module, modules, bank):
    plant = plant_of(Converter.of(module, modules), bank)
    charge, power = chords_of(plant)[0], powers_upto(plant)
    into = np.maximum.accumulate(plant.into_store_kw(power))
    rising = np.concatenate(([True], np.diff(into) > 1e-9))
    true_power = np.interp(charge.at_store(power), into[rising], power[rising])
    true_cooling = bank.cooling_frac * plant.rack_loss_kw(true_power, charging=True)
    # Between the points at which the curve is inverted it is a chord itself.
    assert (power + charge.cooling_kw(power) >= true_power + true_cooling - 1e-3 * plant.rating_kva / 50).all()


@given(module=curved_modules(), modules=counts, bank=rack_banks())
def test_chords_get_worse_in_the_order_in_which_they_are_filled(module, modules, bank):
    plant = plant_of(Converter.of(module, modules), bank)
    assert all(a.frac >= b.frac - 1e-9 for a, b in pairwise(plant.charge_segments))
    assert all(a.frac >= b.frac - 1e-9 for a, b in pairwise(plant.discharge_segments))


@given(module=curved_modules(), modules=counts, bank=rack_banks())
def test_chords_cover_the_rating_and_no_more(module, modules, bank):
    plant = plant_of(Converter.of(module, modules), bank)
    for curve in chords_of(plant):
        assert curve.ac_kw[-1] == pytest.approx(50 * modules, rel=1e-12)


@given(module=curved_modules(), modules=counts, bank=rack_banks(), limit_kw=st.floats(5, 500))
def test_chords_end_where_modules_or_racks_do(module, modules, bank, limit_kw):
    plant = replace(plant_of(Converter.of(module, modules), bank), into_limit_kw=limit_kw, outof_limit_kw=limit_kw)
    for curve, true in zip(chords_of(plant), (plant.into_store_kw, plant.out_of_store_kw), strict=True):
        most_kw = float(curve.ac_kw[-1])
        assert 0 < most_kw <= plant.rating_kva + ROUNDING_KW
        if most_kw < plant.rating_kva - ROUNDING_KW:
            # Found on a thousand points, between which the curve bends.
            assert true(np.array([most_kw]))[0] == pytest.approx(limit_kw, abs=1e-3 * plant.rating_kva / 50)


@given(module=curved_modules(), modules=counts, bank=rack_banks())
def test_cooling_of_a_discharge_is_convex_and_no_less_than_true(module, modules, bank):
    plant = plant_of(Converter.of(module, modules), bank)
    discharge, power = chords_of(plant)[1], powers_upto(plant)
    assert (np.diff(discharge.cooling_fracs) >= -1e-9).all()
    true_cooling = bank.cooling_frac * plant.rack_loss_kw(power, charging=False)
    assert (discharge.cooling_kw(power) >= true_cooling - ROUNDING_KW).all()


@given(loss=loss_curves(), modules=counts, ohms=st.floats(0.05, 0.4))
def test_cooling_of_a_charge_is_convex_where_resistance_is_all_that_racks_lose(loss, modules, ohms):
    mild = {**loss, "resistive_frac": 0.0}
    bank = RackBank(charge_frac=1.0, discharge_frac=1.0, square_per_kw=ohms * 1e-3, cooling_frac=0.3)
    plant = plant_of(Converter.of(module_with(loss=mild), modules), bank)
    assert (np.diff(chords_of(plant)[0].cooling_fracs) >= -1e-9).all()


# --- how close they are -----------------------------------------------------------------------------------------------


def largest_error_kw(plant, *, charging: bool) -> float:
    power = powers_upto(plant)
    curve = chords_of(plant)[0 if charging else 1]
    true = plant.into_store_kw(power) if charging else plant.out_of_store_kw(power)
    return float(np.abs(curve.at_store(power) - true).max())


@given(loss=loss_curves(), modules=counts, bank=rack_banks())
def test_error_of_three_chords_stays_below_that_of_a_parabola(loss, modules, bank):
    """A chord of width w strays from a curve by no more than its largest second derivative times w² / 8."""
    plant = plant_of(Converter.of(module_with(loss=loss), modules), bank)
    rating, most_dc = plant.rating_kva, plant.rating_kva * 1.6
    module_bend = 2 * loss["resistive_frac"] / rating
    slope = 1 + loss["proportional_frac"] + 2 * loss["resistive_frac"]
    width = rating / 3
    # The loss curve itself is kept at 201 points, which adds what a chord between these may stray.
    points_kw = module_bend * (rating / 200) ** 2 / 8 * 3
    charge_bend = module_bend + 2 * bank.square_per_kw
    assert largest_error_kw(plant, charging=True) <= charge_bend * width**2 / 8 + points_kw + ROUNDING_KW
    discharge_bend = module_bend * (1 / bank.discharge_frac + 2 * bank.square_per_kw * most_dc)
    discharge_bend += 2 * bank.square_per_kw * slope**2
    assert largest_error_kw(plant, charging=False) <= discharge_bend * width**2 / 8 + points_kw + ROUNDING_KW


@pytest.mark.parametrize("charging", [True, False])
def test_error_falls_with_the_square_of_the_number_of_chords(monkeypatch, charging):
    bank = RackBank(charge_frac=0.991, discharge_frac=0.991, square_per_kw=1e-4, cooling_frac=0.3)
    errors = []
    for number in (3, 6, 12):
        monkeypatch.setattr("crestfall.plant._curves.SEGMENTS", number)
        plant = plant_of(Converter.of(module_with(loss=KVADER), 4), bank)  # it works its chords out once
        assert len(plant.charge_segments) == number
        errors.append(largest_error_kw(plant, charging=charging))
    # A quarter, but that the points at which it is measured do not hit the middle of each chord.
    assert errors[1] / errors[0] == pytest.approx(1 / 4, rel=0.05)
    assert errors[2] / errors[1] == pytest.approx(1 / 4, rel=0.10)


def test_error_of_the_demo_parts_is_a_permille_of_the_rating():
    """Modules: 0.01 of resistive loss, chords of a third: 0.01 / 9 / 4 = 0.028 %; racks with 0.2 ohm at 768 V less."""
    bank = RackBank(charge_frac=0.991, discharge_frac=0.991, square_per_kw=0.2e3 / (4 * 768**2), cooling_frac=0.3)
    plant = plant_of(Converter.of(module_with(loss=KVADER), 3), bank)
    assert largest_error_kw(plant, charging=True) < 1e-3 * plant.rating_kva
    assert largest_error_kw(plant, charging=False) < 1e-3 * plant.rating_kva


@given(frac=st.floats(0.5, 1), other=st.floats(0.5, 1), modules=counts)
def test_constant_efficiencies_give_one_chord(frac, other, modules):
    module = module_with(charge_efficiency_frac=frac, discharge_efficiency_frac=other)
    bank = RackBank(charge_frac=0.98, discharge_frac=0.97, square_per_kw=0.0, cooling_frac=0.3)
    plant = plant_of(Converter.of(module, modules), bank)
    (into,), (outof,) = plant.charge_segments, plant.discharge_segments
    assert (into.width_kw, outof.width_kw) == pytest.approx((50 * modules, 50 * modules))
    assert into.frac == pytest.approx(frac * 0.98, rel=1e-9)
    assert outof.frac == pytest.approx(other * 0.97, rel=1e-9)
    assert into.cooling_frac == pytest.approx(0.3 * frac * 0.02, rel=1e-9)
    assert outof.cooling_frac == pytest.approx(0.3 / other * (1 / 0.97 - 1), rel=1e-9)


def test_no_modules_have_a_chord_of_no_width():
    plant = plant_of(Converter.of(module_with(loss=KVADER), 0), IDEAL_RACKS)
    assert [chord.width_kw for chord in (*plant.charge_segments, *plant.discharge_segments)] == [0, 0]
    assert plant.losses_kw(np.array([0.0, 1.0]), charging=True)[0].tolist() == [0, 0]


# --- losses -----------------------------------------------------------------------------------------------------------


@given(module=curved_modules(), modules=counts, bank=rack_banks(), staged=st.booleans())
def test_losses_are_not_negative_and_nothing_is_lost_at_rest(module, modules, bank, staged):
    converter = Converter.of(module.model_copy(update={"switches_off_when_idle": staged}), modules)
    plant = plant_of(converter, bank)
    power = powers_upto(plant)
    for charging in (True, False):
        # A converter that takes all of a small charge for itself leaves the racks nothing, not less.
        assert (plant.losses_kw(power, charging=charging)[0] >= -1e-12).all()
        assert (plant.rack_loss_kw(power, charging=charging) >= 0).all()
        assert plant.losses_kw(np.zeros(1), charging=charging)[0][0] == 0
        assert plant.rack_loss_kw(np.zeros(1), charging=charging)[0] == 0


@given(loss=loss_curves(), modules=counts)
def test_connected_modules_lose_by_their_formula_shared_evenly(loss, modules):
    converter = Converter.of(module_with(loss=loss), modules)
    share = np.array([0.0, 0.1, 0.25, 0.5, 0.75, 1.0])  # on the points of the curve
    expected = loss["proportional_frac"] * share + loss["resistive_frac"] * share**2
    rating = 50 * modules
    assert converter.loss_kw(share * rating, charging=True) == pytest.approx(rating * expected, abs=1e-9)
    assert converter.no_load_kw == pytest.approx(rating * loss["no_load_frac"])


@given(module=curved_modules(), modules=counts)
def test_modules_that_switch_off_never_lose_more_than_connected_ones(module, modules):
    connected = Converter.of(module, modules)
    staged = Converter.of(module.model_copy(update={"switches_off_when_idle": True}), modules)
    power = 50 * modules * np.linspace(0.001, 1, 300)
    for charging in (True, False):
        all_run = connected.loss_kw(power, charging=charging) + connected.no_load_kw
        assert (staged.loss_kw(power, charging=charging) <= all_run + 1e-9).all()
    assert staged.no_load_kw == 0


def test_two_modules_run_from_where_they_lose_less_than_one():
    """One loses 0.2 + 0.5 x² kW at share x, two 0.4 + 0.25 x²; equal at x² = 0.8, which is 44.72 kW of 50."""
    module = module_with(
        loss={"no_load_frac": 0.004, "proportional_frac": 0.0, "resistive_frac": 0.01}, switches_off_when_idle=True
    )
    converter = Converter.of(module, 2)
    below, above = 50 * np.sqrt(0.8) - 0.25, 50 * np.sqrt(0.8) + 0.25
    found = converter.loss_kw(np.array([below, above]), charging=True)
    one, two = 0.2 + 0.5 * (below / 50) ** 2, 0.4 + 0.25 * (above / 50) ** 2
    assert found == pytest.approx([one, two], abs=1e-5)  # kept at 201 points


@given(loss=loss_curves())
def test_hull_of_staged_losses_is_below_them_and_worst_for_one_module(loss):
    module = module_with(loss=loss, switches_off_when_idle=True)
    errors = []
    for modules in range(1, 9):
        converter = Converter.of(module, modules)
        power = 50 * modules * np.linspace(0, 1, 801)
        staged = converter.loss_kw(power, charging=False)
        hull = _hull_below(power, staged)
        assert (hull <= staged + 1e-9).all()
        assert (np.diff(hull, 2) >= -1e-9).all()
        errors.append(float((staged - hull).max()) / (50 * modules))
    assert max(errors) <= errors[0] + 1e-12  # rounding
    # What one module loses at no load is all that the hull can leave out.
    assert errors[0] <= loss["no_load_frac"] + 1e-9


losses = st.lists(st.floats(0, 10), min_size=1, max_size=30)


@given(module=curved_modules(), modules=counts, staged=st.booleans(), charging=st.booleans())
def test_loss_is_straight_between_its_corners(module, modules, staged, charging):
    converter = Converter.of(module.model_copy(update={"switches_off_when_idle": staged}), modules)
    power, loss = converter.loss_corners(charging=charging)
    assert (np.diff(power) >= 0).all()
    # At a jump the first corner is the one at which the power still is; just above it the second begins.
    np.testing.assert_allclose(
        converter.loss_kw(power[1:], charging=charging)[np.diff(power) > 0], loss[1:][np.diff(power) > 0], atol=1e-9
    )
    wide = np.diff(power) > 1e-3
    middle = (power[1:] + power[:-1])[wide] / 2
    expected = (loss[1:] + loss[:-1])[wide] / 2
    np.testing.assert_allclose(converter.loss_kw(middle, charging=charging), expected, atol=1e-9)


def test_one_module_that_switches_off_jumps_to_its_loss_at_no_load():
    loss = {"no_load_frac": 0.02, "proportional_frac": 0.0, "resistive_frac": 0.0}
    converter = Converter.of(module_with(loss=loss, switches_off_when_idle=True), 2)
    power, lost = converter.loss_corners(charging=False)
    assert (power[:2].tolist(), lost[:2].tolist()) == ([0.0, 0.0], [0.0, 1.0])
    jump = np.flatnonzero(np.diff(power) == 0)[1]
    assert power[jump] == pytest.approx(50.0)
    assert lost[jump : jump + 2].tolist() == [1.0, 2.0]


@given(module=curved_modules(switches_off_when_idle=True, minimum_load_frac=0.1), modules=counts)
def test_envelope_of_staged_modules_is_convex_and_never_above_them(module, modules):
    converter = Converter.of(module, modules)
    envelope, power = converter.enveloped(), np.linspace(0.0, 50.0 * modules, 501)
    for way in (True, False):
        below, true = envelope.loss_kw(power, charging=way), converter.loss_kw(power, charging=way)
        assert (below <= true + 1e-9).all()
        assert below[-1] == pytest.approx(true[-1], abs=1e-6)
        assert (np.diff(below, 2) >= -1e-9).all()
    assert envelope.minimum_load_frac * envelope.rating_kva == pytest.approx(0.1 * 50.0)
    connected = Converter.of(module.model_copy(update={"switches_off_when_idle": False}), modules)
    assert connected.enveloped() is connected


@given(first=st.floats(0, 1), rises=losses, gaps=st.data())
def test_convex_curve_above_is_convex_and_above(first, rises, gaps):
    n = len(rises)
    power = np.cumsum([0.0, *gaps.draw(st.lists(st.floats(0.01, 10), min_size=n, max_size=n))])
    loss = first + np.cumsum([0.0, *rises])
    raised = _convex_above(power, loss)
    scale = float(raised.max())
    assert raised[0] == loss[0]
    assert (raised >= loss - 1e-12 * scale).all()
    assert (np.diff(np.diff(raised) / np.diff(power)) >= -1e-9 * scale / np.diff(power).min()).all()


def test_convex_curve_above_a_convex_curve_is_the_curve():
    power = np.linspace(0, 50, 73)
    assert _convex_above(power, power**2) == pytest.approx(power**2, rel=1e-12)


@given(loss=loss_curves(), most_kw=st.floats(1, 400))
def test_chords_may_end_below_the_rating(loss, most_kw):
    converter = Converter.of(module_with(loss=loss), 8)
    curve = Curve.charging(segments(converter, IDEAL_RACKS, most_kw, charging=True))
    assert curve.ac_kw[-1] == pytest.approx(most_kw)
    true_kw = most_kw - converter.loss_kw(np.array([most_kw]), charging=True)[0]
    assert curve.store_kw[-1] == pytest.approx(true_kw, rel=1e-9)


@given(module=curved_modules(), modules=counts)
def test_weighted_efficiency_is_a_share(module, modules):
    converter = Converter.of(module, modules)
    assert 0 <= weighted_efficiency(converter, EURO_WEIGHTS) <= 1 + 1e-12
    assert 0 <= weighted_efficiency(converter, {1.0: 1.0}) <= 1 + 1e-12


def test_weighted_efficiency_of_the_demo_module_is_worked_by_hand():
    """1 / (1 + loss / load): 0.004 + 0.006 x + 0.01 x² over x at each load."""
    by_hand = sum(w / (1 + 0.004 / x + 0.006 + 0.01 * x) for x, w in EURO_WEIGHTS.items())
    assert weighted_efficiency(Converter.of(module_with(loss=KVADER), 3), EURO_WEIGHTS) == pytest.approx(by_hand)
