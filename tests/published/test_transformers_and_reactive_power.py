"""Transformers and reactive power against textbooks and the circle of apparent power."""

import numpy as np
import pytest

from crestfall.plant import TransformerLosses, active_limit_kw


def all_day_efficiency(losses, schedule):
    """Energy out over energy out and losses; `schedule` holds hours, kW and power factor."""
    hours, kw, factor = (np.array(column, dtype=float) for column in zip(*schedule, strict=True))
    kvar = kw * np.tan(np.arccos(factor))
    lost = hours @ losses.loss_kw(kw, kvar)
    return hours @ kw / (hours @ kw + lost)


def test_all_day_efficiency_of_a_textbook_transformer():
    # Kulshreshtha, Basic Electrical Engineering, example 13.13: 200 kVA, 1.6 kW iron loss, 3.02 kW copper loss; six
    # hours of 80 kW at unity, eight of 160 kW at 0.8, ten idle: 96.414 %. Second hand, from a companion to the book.
    losses = TransformerLosses(rating_kva=200.0, no_load_kw=1.6, load_loss_kw=3.02)
    found = all_day_efficiency(losses, [(6, 80, 1.0), (8, 160, 0.8), (10, 0, 1.0)])
    assert 100 * found == pytest.approx(96.414, abs=0.001)


def test_all_day_efficiency_of_a_transformer_in_five_steps():
    # Hubert, Electric Machinery, example 14.31: 500 kVA, 1.8 and 8.2 kW, five steps of load, two hours idle: 97.9 %
    # (97.8616 exactly), 43.2 kWh of core loss. Second hand, from a companion to the book.
    steps = [(4, 0.2, 0.7), (4, 0.4, 0.8), (6, 0.8, 0.9), (6, 1.0, 1.0), (2, 1.25, 0.85)]
    losses = TransformerLosses(rating_kva=500.0, no_load_kw=1.8, load_loss_kw=8.2)
    schedule = [(hours, 500 * load * factor, factor) for hours, load, factor in steps]
    assert 100 * all_day_efficiency(losses, [*schedule, (2, 0, 1.0)]) == pytest.approx(97.8616, abs=5e-4)
    assert 24 * losses.no_load_kw == pytest.approx(43.2)


@pytest.mark.parametrize(("kva", "kvar", "kw"), [(250, 150, 200), (100, 60, 80)])
def test_the_circle_of_apparent_power(kva, kvar, kw):
    # 250 kVA at 150 kvar leave 200 kW, 100 kVA at 60 kvar leave 80 kW: sqrt(S² - Q²).
    assert active_limit_kw(np.array([float(kva)]), np.array([float(kvar)]))[0] == pytest.approx(kw)


def test_a_power_factor_of_95_per_cent_limits_250_kva_to_237_5_kw():
    kvar = 250 * np.sin(np.arccos(0.95))
    assert active_limit_kw(np.array([250.0]), np.array([kvar]))[0] == pytest.approx(237.5)
