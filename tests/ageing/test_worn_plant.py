"""Plants whose racks are no longer new, or only as good as is guaranteed."""

from dataclasses import replace

import pytest

from crestfall.ageing import plant_as_guaranteed, worn_plant
from crestfall.errors import KeyedError
from crestfall.plant._plant import EndTaper
from parts import plant_with


def test_a_worn_plant_has_a_smaller_window_and_loses_more():
    new = plant_with(floor_kwh=20.0, ceiling_kwh=180.0, charge_taper=EndTaper(160.0, 0.4))
    new = replace(new, bank=replace(new.bank, square_per_kw=1e-4))
    worn = worn_plant(new, health_frac=0.8, resistance_growth_frac=0.25)
    assert (worn.floor_kwh, worn.ceiling_kwh, worn.charge_taper.from_kwh) == (16.0, 144.0, 128.0)
    assert worn.nominal_kwh == new.nominal_kwh
    assert worn.bank.square_per_kw == pytest.approx(1.25e-4)
    assert worn.round_trip_frac < new.round_trip_frac
    assert worn_plant(new, health_frac=1.0).ceiling_kwh == new.ceiling_kwh


def test_a_plant_without_capacity_is_refused():
    with pytest.raises(ValueError, match=r"^health_frac is 0, expected a share above 0$"):
        worn_plant(plant_with(), health_frac=0.0)


@pytest.mark.parametrize("resistance", [0.0, 1e-4], ids=["no resistance", "resistance"])
@pytest.mark.parametrize("guaranteed", [0.70, 0.86, 0.88])
def test_a_plant_as_guaranteed_gives_back_just_that(resistance, guaranteed):
    plant = plant_with()
    plant = replace(plant, bank=replace(plant.bank, square_per_kw=resistance))
    found = plant_as_guaranteed(plant, guaranteed)
    assert found.round_trip_frac == pytest.approx(guaranteed, abs=1e-10)
    ratio = plant.bank.charge_frac / plant.bank.discharge_frac
    assert found.bank.charge_frac / found.bank.discharge_frac == pytest.approx(ratio)
    assert found.converter is plant.converter


def test_a_guarantee_that_the_modules_alone_cannot_keep_is_refused():
    """Modules give 0.96 x 0.95; racks of 0.98 and 0.97 can come up to 1 and 0.97 / 0.98 in step: 0.903 in all."""
    with pytest.raises(KeyedError) as caught:
        plant_as_guaranteed(plant_with(), 0.95)
    assert str(caught.value) == (
        "rack.warranty.round_trip_frac: found 0.95, expected 0.217 to 0.903, what modules and resistance leave\n"
        "    the catalogue's own curves give 0.867; compare the conditions of both"
    )
