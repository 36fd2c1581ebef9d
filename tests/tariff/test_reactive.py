"""Reactive energy and reactive demand beyond a free share."""

import numpy as np
import pytest

from billing import amounts, at_hours, billed, column, laid, steps, tariff_from

FLOAT_SUM = 1e-8  # sums of some thousand kvarh
JUNE = steps("2025-06-01", "2025-07-01")


def reactive(**keys):
    return tariff_from(reactive_charges=[{"name": "Reactive", **keys}])


KVARH = {"rate_per_kvarh": 0.02, "free_share_of_kwh": 0.5}
KVAR = {"rate_per_kvar": 0.4, "free_share_of_kw": 0.5}


@pytest.mark.parametrize(
    ("kvar", "beyond_kvarh"),
    [
        pytest.param(9.0, 720 * (9 - 5), id="beyond the free share"),
        pytest.param(5.0, 0, id="just free"),
        pytest.param(0.0, 0, id="none"),
        pytest.param(-9.0, 0, id="delivered"),
    ],
)
def test_kvarh_beyond_a_share_of_the_imported_kwh_are_billed(kvar, beyond_kvarh):
    table = billed(reactive(**KVARH), JUNE, 10.0, kvar=kvar)
    assert column(table, "Reactive") == pytest.approx([beyond_kvarh], abs=FLOAT_SUM)
    assert column(table, "Reactive", "amount") == pytest.approx([beyond_kvarh * 0.02], abs=FLOAT_SUM)


def test_what_one_hour_draws_too_little_another_may_draw_more():
    kvar = np.where(JUNE.hour < 12, 10.0, 0.0)
    assert column(billed(reactive(**KVARH), JUNE, 10.0, kvar=kvar), "Reactive") == pytest.approx([0], abs=FLOAT_SUM)


def test_delivered_kvarh_do_not_make_up_for_drawn_ones():
    kvar = np.where(JUNE.hour < 12, 10.0, -10.0)
    table = billed(reactive(rate_per_kvarh=0.02, free_share_of_kwh=0.0), JUNE, 10.0, kvar=kvar)
    assert column(table, "Reactive") == pytest.approx([3600], abs=FLOAT_SUM)


def test_each_month_has_its_own_free_share():
    start = steps("2025-06-01", "2025-08-01")
    kvar = np.where(start.month == 6, 10.0, 0.0)
    assert column(billed(reactive(**KVARH), start, 10.0, kvar=kvar), "Reactive") == pytest.approx(
        [3600, 0], abs=FLOAT_SUM
    )


def test_kvarh_count_in_their_window_with_the_kwh_of_the_window():
    tariff = reactive(**KVARH, when=[{"times": ["08:00-20:00"]}])
    import_kw = np.where((JUNE.hour >= 8) & (JUNE.hour < 20), 4.0, 100.0)
    assert column(billed(tariff, JUNE, import_kw, kvar=5.0), "Reactive") == pytest.approx(
        [360 * (5 - 2)], abs=FLOAT_SUM
    )


def test_kvar_beyond_a_share_of_the_kw_of_the_peak_are_billed():
    import_kw = at_hours(JUNE, {"2025-06-10 12:00": 40.0})
    kvar = at_hours(JUNE, {"2025-06-11 12:00": 50.0})
    table = billed(reactive(**KVAR), JUNE, import_kw, kvar=kvar)
    assert column(table, "Reactive") == [30.0]
    assert column(table, "Reactive", "amount") == pytest.approx([12.0], abs=FLOAT_SUM)


def test_quarter_hours_count_with_their_energy():
    start = steps("2025-06-01", "2025-07-01", step_min=15)
    assert column(billed(reactive(**KVARH), start, 10.0, kvar=9.0), "Reactive") == pytest.approx([2880], abs=FLOAT_SUM)


def test_a_reactive_charge_needs_reactive_power():
    with pytest.raises(ValueError, match="give kvar"):
        billed(reactive(**KVAR), JUNE, 1.0)


@pytest.mark.parametrize(
    ("keys", "needs"),
    [
        pytest.param({}, False, id="energy only"),
        pytest.param({"reactive_charges": [{"name": "R", **KVARH}]}, True, id="kvarh"),
        pytest.param({"demand_charges": [{"name": "P", "rate_per_kw": 1, "averaging_min": 60}]}, False, id="kW"),
        pytest.param({"demand_charges": [{"name": "P", "rate_per_kva": 1, "averaging_min": 60}]}, True, id="kVA"),
        pytest.param(
            {"demand_charges": [{"name": "P", "rate_per_kw": 1, "averaging_min": 60, "power_factor_target_frac": 0.9}]},
            True,
            id="target of the power factor",
        ),
    ],
)
def test_the_rates_say_whether_they_need_reactive_power(keys, needs):
    assert laid(tariff_from(**keys), JUNE).needs_kvar is needs


def test_a_price_of_the_reactive_peak_is_prorated_as_that_of_demand():
    start = steps()
    tariff = tariff_from(
        billing={"reading_day": 12},
        demand_charges=[{"name": "Demand", "rate_per_kw": 1.0, "averaging_min": 60}],
        reactive_charges=[{"name": "Kvar", "rate_per_kvar": 1.0, "free_share_of_kw": 0.0}],
    )
    found = amounts(billed(tariff, start, 100.0, kvar=100.0))
    assert found["Kvar"] == pytest.approx(found["Demand"])
