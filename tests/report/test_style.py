"""One quantity, one look, told apart by everybody: also in grey, and without seeing red, green or blue."""

import re
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb

import crestfall.report
from crestfall.report import _style as style

# Simulation of full deficiencies in linear sRGB: G. Machado, M. Oliveira, L. Fernandes, "A Physiologically-based Model
# for Simulation of Color Vision Deficiency", IEEE Transactions on Visualization and Computer Graphics 15 (6), 2009,
# the authors' tables at severity 1.0, taken over from the PyPI package colour-science 0.4.7.
DEFICIENCIES = {
    "none": np.eye(3),
    "red": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "green": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]]),
    "blue": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]]),
}
# IEC 61966-2-1: linear sRGB to XYZ, and its white.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = TO_XYZ.sum(axis=1)
# CIE 1976: a difference of about 2.3 is just noticeable (M. Mahy et al., 1994, from memory); ours are many times that.
LEAST_DIFFERENCE = 14.0
LEAST_LIGHTNESS = 5.0  # on the scale from 0 to 100; less, and the line or the hatching must differ

# What is seen together in one picture.
TOGETHER = {
    "a day that cost much": ("LOAD", "IMPORT_BEFORE", "IMPORT_AFTER", "FORECAST", "CEILING", "TARGET"),
    "a week": ("PV_FILL", "CHARGE_FILL", "DISCHARGE_FILL"),
    "health": ("HEALTH_FILL", "CYCLE_LOSS_FILL", "AGE_LOSS_FILL"),
    "a waterfall": ("SAVED_FILL", "DEARER_FILL"),
    "a sensitivity": ("LOW_FILL", "HIGH_FILL"),
    "cash": ("CASH", "CASH_DISCOUNTED", "CASH_FILL"),
    "a load": ("LOAD", "SPREAD_FILL"),
}
PAIRS = [pytest.param(*pair, id="-".join(pair)) for names in TOGETHER.values() for pair in combinations(names, 2)]


def lab(colour: str, deficiency: str = "none") -> np.ndarray:
    """CIE 1976 L*a*b* of a colour as it is seen."""
    srgb = np.array(to_rgb(colour))
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(DEFICIENCIES[deficiency] @ linear, 0, 1)
    ratio = TO_XYZ @ seen / WHITE
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def colour_of(name: str) -> str:
    look = getattr(style, name)
    return look.get("facecolor") or look["color"]


def drawn_as(name: str) -> tuple:
    """What is left of a look without its colour."""
    look = getattr(style, name)
    return "color" in look, str(look.get("linestyle", "-")), look.get("hatch"), look.get("marker")


def test_lightness_of_white_grey_and_black():
    assert lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.01)
    assert lab("#777777")[0] == pytest.approx(50.03, abs=0.01)  # the usual middle grey, L* 50.0
    assert lab("#000000") == pytest.approx([0, 0, 0], abs=0.01)


@pytest.mark.parametrize("deficiency", ["red", "green", "blue"])
def test_a_deficiency_leaves_grey_as_it_is(deficiency):
    assert lab("#8a8a8a", deficiency) == pytest.approx(lab("#8a8a8a"), abs=0.01)


def test_red_and_green_of_equal_lightness_would_be_found_out():
    """The check is no formality: a red and a green that differ for most are one to those who see no red."""
    red, green = "#c05040", "#6e8036"
    assert np.linalg.norm(lab(red) - lab(green)) > LEAST_DIFFERENCE
    assert np.linalg.norm(lab(red, "green") - lab(green, "green")) < LEAST_DIFFERENCE


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_quantities_seen_together_differ_in_colour(first, second, deficiency):
    between = lab(colour_of(first), deficiency) - lab(colour_of(second), deficiency)
    assert np.linalg.norm(between) > LEAST_DIFFERENCE


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_quantities_seen_together_differ_in_grey_or_in_how_they_are_drawn(first, second):
    apart = abs(lab(colour_of(first))[0] - lab(colour_of(second))[0])
    assert apart > LEAST_LIGHTNESS or drawn_as(first) != drawn_as(second)


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize("ramp", ["PRICE_RAMP", "IMPORT_RAMP", "POWER_RAMP", "PRICE_SHADES"])
def test_a_ramp_gets_darker_from_step_to_step(ramp, deficiency):
    lightness = [lab(colour, deficiency)[0] for colour in getattr(style, ramp)]
    assert all(before - after > LEAST_LIGHTNESS for before, after in pairwise(lightness))


def test_neighbours_in_a_stack_of_the_bill_differ_in_grey():
    lightness = [lab(colour)[0] for colour in style.BILL_FILLS]
    assert all(abs(before - after) > 2 * LEAST_LIGHTNESS for before, after in pairwise(lightness))


def test_day_by_day_has_the_colours_of_the_figures():
    css = (Path(crestfall.report.__file__).parent / "templates" / "house.css").read_text(encoding="utf-8")
    light = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", css.splitlines()[0]))
    assert light["load"] == style.LOAD["color"]
    assert light["before"] == style.IMPORT_BEFORE["color"]
    assert light["after"] == style.IMPORT_AFTER["color"]
    assert light["store"] == style.STORE["color"]
    for name, look in (("pv", style.PV_FILL), ("charge", style.CHARGE_FILL), ("discharge", style.DISCHARGE_FILL)):
        assert (light[name], light[f"{name}-fill"]) == (look["edgecolor"], look["facecolor"])
