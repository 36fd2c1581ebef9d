import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.plant import NO_TRANSFORMER, TransformerLosses, active_limit_kw, reactive_to_hold

powers = st.floats(0, 1000)


def test_without_a_transformer_nothing_is_lost():
    assert NO_TRANSFORMER.loss_kw(np.array([0.0, 500.0]), None).tolist() == [0.0, 0.0]


@given(net_kw=st.floats(-1000, 1000), kvar=powers)
def test_load_loss_grows_with_the_square_of_apparent_power(net_kw, kvar):
    losses = TransformerLosses(rating_kva=400.0, no_load_kw=0.8, load_loss_kw=5.0)
    once, twice = (losses.loss_kw(np.array([f * net_kw]), np.array([f * kvar]))[0] - 0.8 for f in (1.0, 2.0))
    assert twice == pytest.approx(4 * once)


@given(apparent=powers, kvar=powers)
def test_active_and_reactive_power_stay_on_the_circle(apparent, kvar):
    active = active_limit_kw(np.array([apparent]), np.array([kvar]))[0]
    assert active == 0.0 or np.hypot(active, kvar) == pytest.approx(apparent)


@given(kvar=powers, import_kw=st.floats(1, 1000), factor=st.floats(0.8, 1.0))
def test_a_power_factor_is_held_at_the_lowest_import(kvar, import_kw, factor):
    left = kvar - reactive_to_hold(factor, np.array([kvar]), np.array([import_kw]))[0]
    assert import_kw / np.hypot(import_kw, left) >= factor - 1e-9
