"""Laws of fade against the figures of their publications, and against the shape that these give them."""

from datetime import timedelta

import numpy as np
import pytest

from crestfall.ageing import Cycles, CycleTableLaw, FadeState, LfpLaw, LfpPowerLaw, rest
from crestfall.ageing._use import HOURS_PER_YEAR, CellUse

# M. Naumann et al., J. Energy Storage 17 (2018), 153-169, doi:10.1016/j.est.2018.01.019; coefficients of its table 7
# and the points marked "text" from a summary of the paper, the others computed apart from its formula.
# Four decimals are given.
POINTS_FRAC = 0.51e-6
NEW = FadeState()


def at_rest(law, *, cell_c, soc_frac, years, state=NEW):
    return law.aged(state, rest(years, soc_frac=soc_frac, cell_c=cell_c))


def cycled(law, *, full_cycles, depth_frac, c_rate_per_h, cell_c=25.0, years=0.0, soc_frac=0.5, state=NEW):
    """Age cells by equal cycles, and by as much time as is asked for."""
    cycles = Cycles(
        depths_frac=np.array([depth_frac]),
        mean_soc_frac=np.array([soc_frac]),
        counts=np.array([full_cycles / depth_frac]),
        start_h=np.zeros(1),
        end_h=np.ones(1),
        c_rate_per_h=np.array([c_rate_per_h]),
        cell_c=np.array([cell_c]),
    )
    use = CellUse(
        step_h=years * HOURS_PER_YEAR,
        soc_frac=np.array([soc_frac]),
        cell_c=np.array([cell_c]),
        rate_per_h=np.zeros(1),
        closed=cycles,
        open=Cycles(),
        full_cycles=full_cycles,
    )
    return law.aged(state, use)


@pytest.mark.parametrize(
    ("cell_c", "soc_frac", "years", "loss_percent", "growth_percent"),
    [
        pytest.param(25, 0.5, 1, 4.2527, 1.6836, id="1 year at 25 degrees"),
        pytest.param(25, 0.5, 10, 13.4482, 16.836, id="10 years at 25 degrees"),
        pytest.param(25, 0.5, 20, 19.0186, 33.672, id="20 years at 25 degrees"),
        pytest.param(25, 0.0, 10, 5.4722, 7.6911, id="empty"),
        pytest.param(25, 1.0, 10, 21.4242, 7.6911, id="full"),
        pytest.param(25, 0.8, 15, 18.5806, 20.3157, id="at 80 %"),
        pytest.param(10, 0.5, 10, 9.3263, 3.6273, id="cool"),
        pytest.param(35, 0.5, 10, 16.8281, 43.1141, id="35 degrees"),
        pytest.param(40, 0.5, 1, 5.9209, 6.7457, id="1 year at 40 degrees"),
        pytest.param(40, 0.5, 10, 18.7236, 67.4573, id="10 years at 40 degrees"),
        pytest.param(40, 1.0, 5, 21.0918, 15.408, id="full at 40 degrees"),
        pytest.param(60, 1.0, 1, 14.0001, 16.1458, id="full at 60 degrees"),
    ],
)
def test_calendar_law_of_lfp_cells(cell_c, soc_frac, years, loss_percent, growth_percent):
    state = at_rest(LfpLaw(), cell_c=cell_c, soc_frac=soc_frac, years=years)
    assert state.calendar_loss_frac == pytest.approx(loss_percent / 100, abs=POINTS_FRAC)
    assert state.resistance_growth_frac == pytest.approx(growth_percent / 100, abs=POINTS_FRAC)
    assert state.cycle_loss_frac == 0.0


def test_twenty_years_of_the_publications_own_text():
    """At 25 degrees and half charge 19.0 % are lost and resistance has grown by 33.7 % after 20 years, to 0.1 points;
    20 % are lost after more than 22 years (text of Naumann et al. 2018)."""
    state = at_rest(LfpLaw(), cell_c=25.0, soc_frac=0.5, years=20.0)
    assert state.calendar_loss_frac == pytest.approx(0.190, abs=0.001)
    assert state.resistance_growth_frac == pytest.approx(0.337, abs=0.001)
    assert at_rest(LfpLaw(), cell_c=25.0, soc_frac=0.5, years=22.0).health_frac > 0.8
    assert at_rest(LfpLaw(), cell_c=25.0, soc_frac=0.5, years=22.12).health_frac < 0.8


@pytest.mark.parametrize("is_reversed", [False, True])
def test_a_changed_regime_carries_over_by_virtual_time(is_reversed):
    """One year at 25 degrees and 50 % (4.2527), then one at 40 degrees and 80 %: the first counts as 148.0602 days of
    the second, 7.9184 in the end; the same in reversed order (computed apart from the formula of Naumann et al. 2018).
    """
    regimes = [(25.0, 0.5), (40.0, 0.8)]
    state = FadeState()
    for cell_c, soc_frac in reversed(regimes) if is_reversed else regimes:
        state = at_rest(LfpLaw(), cell_c=cell_c, soc_frac=soc_frac, years=1.0, state=state)
    assert state.calendar_loss_frac == pytest.approx(0.079184, abs=POINTS_FRAC)
    virtual_years = timedelta(days=148.0602) / timedelta(days=365.25)
    directly = at_rest(LfpLaw(), cell_c=40.0, soc_frac=0.8, years=1.0 + virtual_years)
    assert directly.calendar_loss_frac == pytest.approx(0.079184, abs=POINTS_FRAC)


@pytest.mark.parametrize(
    ("c_rate_per_h", "depth_frac", "full_cycles", "loss_percent"),
    [
        (1, 1, 1000, 6.8344),
        (1, 1, 3000, 11.8375),
        (1, 1, 6000, 16.7407),
        (0.5, 0.8, 3000, 7.9207),
        (0.25, 0.8, 6000, 9.8296),
        (0.5, 0.2, 3000, 5.8793),
        (0.2, 1, 5000, 10.4713),
        (0.5, 0.6, 3000, 7.6938),
        (1, 0.8, 8000, 16.1026),
    ],
)
def test_cycle_law_of_lfp_cells(c_rate_per_h, depth_frac, full_cycles, loss_percent):
    """Points of Q% = (0.0630 C + 0.0971)(4.0253 (DOC - 0.6)^3 + 1.0923) sqrt(FEC), computed apart.

    M. Naumann, F. B. Spingler, A. Jossen, J. Power Sources 451 (2020), 227666; coefficients from memory.
    """
    state = cycled(LfpLaw(), full_cycles=full_cycles, depth_frac=depth_frac, c_rate_per_h=c_rate_per_h)
    assert state.cycle_loss_frac == pytest.approx(loss_percent / 100, abs=POINTS_FRAC)


def test_calendar_and_cycle_loss_of_lfp_cells_add_up():
    """15 years at 25 degrees and half charge 16.4706 %, 4,500 full cycles at C/4 and 80 % 8.5127 %: 24.9833 %."""
    state = cycled(LfpLaw(), full_cycles=4500, depth_frac=0.8, c_rate_per_h=0.25, years=15.0)
    assert state.calendar_loss_frac == pytest.approx(0.164706, abs=POINTS_FRAC)
    assert state.cycle_loss_frac == pytest.approx(0.085127, abs=POINTS_FRAC)
    assert state.health_frac == pytest.approx(1 - 0.249833, abs=2 * POINTS_FRAC)


def test_loss_at_rest_grows_with_the_square_root_of_time():
    once, four_times = (at_rest(LfpLaw(), cell_c=30.0, soc_frac=0.7, years=years) for years in (2.0, 8.0))
    assert four_times.calendar_loss_frac == pytest.approx(2 * once.calendar_loss_frac, rel=1e-12)
    assert four_times.resistance_growth_frac == pytest.approx(4 * once.resistance_growth_frac, rel=1e-12)


def test_ten_degrees_more_cost_what_arrhenius_says():
    """An activation energy of 17.126 kJ/mol makes 35 degrees 1.2513 times as fast as 25 (computed from the formula)."""
    cool, warm = (at_rest(LfpLaw(), cell_c=cell_c, soc_frac=0.5, years=3.0) for cell_c in (25.0, 35.0))
    assert warm.calendar_loss_frac / cool.calendar_loss_frac == pytest.approx(1.2513, abs=5e-5)
    ratio = np.exp(17_126 / 8.314 * (1 / 298.15 - 1 / 308.15))
    assert warm.calendar_loss_frac / cool.calendar_loss_frac == pytest.approx(ratio, rel=1e-12)


@pytest.mark.parametrize(
    ("c_rate_per_h", "cell_c", "charge_ah", "loss_percent"),
    [
        (0.5, 25, 1000, 4.2524),
        (0.5, 25, 5000, 10.3053),
        (0.5, 15, 5000, 6.6289),
        (0.5, 45, 5000, 22.9172),
        (0.5, 60, 2000, 23.6739),
        (2, 25, 5000, 8.8381),
        (2, 60, 1000, 13.5449),
        (6, 60, 1000, 13.7935),
        (10, 60, 1000, 28.2394),
    ],
)
def test_power_law_of_charge_throughput(c_rate_per_h, cell_c, charge_ah, loss_percent):
    """Points of Q% = B exp((-31700 + 370.3 C)/(R T)) Ah^0.55 for a cell of 2 Ah, computed apart.

    J. Wang et al., J. Power Sources 196 (2011), 3942-3948; formula and B at C/2 and 2C from a review, B at 6C and 10C
    from memory.
    """
    state = cycled(LfpPowerLaw(), full_cycles=charge_ah / 2, depth_frac=0.5, c_rate_per_h=c_rate_per_h, cell_c=cell_c)
    assert state.cycle_loss_frac == pytest.approx(loss_percent / 100, abs=POINTS_FRAC)


def test_power_law_loses_a_fifth_after_eight_thousand_cycles():
    """20 % at C/2 and 25 degrees take 16,693.49 Ah of a cell of 2 Ah, to 1e-5 of it (computed from the formula)."""
    state = cycled(LfpPowerLaw(), full_cycles=16_693.49 / 2, depth_frac=1.0, c_rate_per_h=0.5)
    assert state.cycle_loss_frac == pytest.approx(0.20, rel=1e-5)


@pytest.mark.parametrize("law", [LfpLaw(), LfpPowerLaw()], ids=["root of cycles", "power of charge"])
def test_cycles_of_two_kinds_carry_over_by_virtual_charge(law):
    """After the first kind the second goes on where it alone would have lost as much."""
    first = cycled(law, full_cycles=800, depth_frac=1.0, c_rate_per_h=2.0)
    both = cycled(law, full_cycles=500, depth_frac=0.4, c_rate_per_h=0.5, cell_c=40.0, state=first)
    one_cycle = cycled(law, full_cycles=1, depth_frac=0.4, c_rate_per_h=0.5, cell_c=40.0).cycle_loss_frac
    virtual_cycles = (first.cycle_loss_frac / one_cycle) ** (1 / law.cycle_power)
    directly = cycled(law, full_cycles=virtual_cycles + 500, depth_frac=0.4, c_rate_per_h=0.5, cell_c=40.0)
    assert both.cycle_loss_frac == pytest.approx(directly.cycle_loss_frac, rel=1e-12)


def test_damage_of_cycles_of_several_depths_is_summed_linearly():
    """The rule of M. A. Miner, J. Appl. Mech. 12 (1945), A159-A164: the end comes when the shares n / N sum up to 1.

    2,000 of 4,000 cycles at full depth and 5,000 of 10,000 at half depth: the end of a table that runs to 80 %.
    """
    law = CycleTableLaw(
        depths_frac=np.array([0.5, 1.0]),
        cycles=np.array([10_000.0, 4000.0]),
        end_health_frac=0.8,
        calendar_loss_frac_per_year=0.0,
    )
    half_way = cycled(law, full_cycles=2000, depth_frac=1.0, c_rate_per_h=0.5)
    assert half_way.health_frac == pytest.approx(0.9, abs=1e-12)
    end = cycled(law, full_cycles=2500, depth_frac=0.5, c_rate_per_h=0.5, state=half_way)
    assert end.health_frac == pytest.approx(0.8, abs=1e-12)
