"""Generators of valid inputs."""

from hypothesis import strategies as st
from ruamel.yaml import YAML

from crestfall.scenario import CatalogueFile, TariffFile
from site_files import CATALOGUE

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# All of them change their clocks; Lord Howe by half an hour, Cairo at midnight.
ZONES_WITH_DAYLIGHT_SAVING = (
    "Europe/Berlin",
    "America/New_York",
    "Australia/Sydney",
    "Australia/Lord_Howe",
    "Africa/Cairo",
    "America/Santiago",
)

kilowatts = st.floats(min_value=0, max_value=10_000, allow_subnormal=False)
prices = st.floats(min_value=0, max_value=2, allow_subnormal=False)
years = st.integers(min_value=2015, max_value=2035)
month_days = st.dates().map(lambda day: f"{day:%m-%d}")


def clock(minute: int) -> str:
    """Return a minute of the day as HH:MM."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


@st.composite
def time_partitions(draw, *, step_min: int = 30):
    """Draw windows that cover the day once; the last one may run over midnight."""
    slots = 24 * 60 // step_min
    edges = sorted(draw(st.sets(st.integers(0, slots - 1), min_size=2, max_size=5)))
    return [
        f"{clock(begin * step_min)}-{clock(end * step_min)}"
        for begin, end in zip(edges, edges[1:] + edges[:1], strict=True)
    ]


def tariff_from(**keys) -> TariffFile:
    """Return a tariff with the given keys, and a flat energy price unless they say otherwise."""
    flat = [{"name": "Energy", "rate_per_kwh": 0.2}]
    head = {"crestfall_tariff": 1, "title": "Drawn", "currency": "EUR", "valid_from": "2015-01-01"}
    return TariffFile.model_validate({**head, "energy_charges": flat, **keys}, strict=False)


@st.composite
def time_of_use_tariffs(draw, *, step_min: int = 30):
    """Draw a tariff whose windows cover one season on one set of days, with a charge for all that is left."""
    season = {"first_day": draw(month_days), "last_day": draw(month_days)}
    weekdays = draw(st.lists(st.sampled_from(WEEKDAYS), min_size=1, unique=True))
    holidays = draw(st.sampled_from(["as_weekday", "never", "always"]))
    windows = draw(time_partitions(step_min=step_min))
    charges = [
        {
            "name": f"Window {window}",
            "rate_per_kwh": draw(prices),
            "when": [{"seasons": ["season"], "day_types": ["days"], "times": [window]}],
        }
        for window in windows
    ]
    return tariff_from(
        seasons={"season": season},
        day_types={"days": {"weekdays": weekdays, "on_holidays": holidays}},
        holidays={"extra_dates": ["2024-02-29", "2025-12-25"]},
        energy_charges=[*charges, {"name": "Rest", "rate_per_kwh": draw(prices)}],
    )


def catalogue_from(**keys) -> CatalogueFile:
    """Return a catalogue of the parts of the small valid scenario, with other cabinets or rules."""
    return CatalogueFile.model_validate({**YAML(typ="safe").load(CATALOGUE), **keys})


@st.composite
def catalogues(draw):
    """Draw what a cabinet holds and what may be put together, small enough for brute force."""
    count = st.integers(1, 6)
    least = {part: draw(st.integers(1, 4)) for part in ("racks", "modules")}
    bounds = {f"least_{part}": least[part] for part in least}
    bounds |= {f"most_{part}": draw(st.integers(least[part], 12)) for part in least}
    cabinet = {"name": "C", "most_modules": draw(count), "most_racks": draw(count), "auxiliary_kw": 0.2, "price": 3000}
    return catalogue_from(cabinet=cabinet, rules={**bounds, "most_cabinets": draw(count)})
