"""Generators of valid inputs."""

import numpy as np
from hypothesis import strategies as st
from ruamel.yaml import YAML

from billing import tariff_from
from crestfall.dispatch import Peak, Problem
from crestfall.plant import RackBank, Segment
from crestfall.scenario import CatalogueFile
from crestfall.scenario.catalogue_file import Module
from site_files import CATALOGUE
from small_problems import small_problem

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


# Dispatch problems: whole kW, kWh and cents, so that shrunk cases can be read and worked by hand.


@st.composite
def loss_curves(draw):
    """Draw the three numbers of a module's loss curve, as far as the catalogue allows."""
    shares = {
        "no_load_frac": st.floats(0, 0.2),
        "proportional_frac": st.floats(0, 0.3),
        "resistive_frac": st.floats(0, 0.3),
    }
    return {name: draw(share) for name, share in shares.items()}


@st.composite
def efficiency_tables(draw):
    """Draw a module's table of efficiencies whose loss grows anyhow, but by less than the load does."""
    loads = sorted(draw(st.sets(st.integers(1, 100), min_size=2, max_size=8)))
    loss, before, points = draw(st.floats(0, 0.02)), loads[0], []
    for load in loads:
        loss += draw(st.floats(0, 0.89)) * (load - before) / 100
        before = load
        frac = load / (load + 100 * loss)
        # The loss that the rounded efficiency stands for may not be below that of the point before.
        while points and load / 100 * (1 / frac - 1) < _loss_of(points[-1]):
            frac = np.nextafter(frac, 0)
        points.append({"load_frac": load / 100, "efficiency_frac": float(frac)})
    return points


def _loss_of(point: dict[str, float]) -> float:
    return point["load_frac"] * (1 / point["efficiency_frac"] - 1)


def module_with(**keys) -> Module:
    """Return a module type of 50 kVA; without any losses given it has none."""
    if not keys.keys() & {"loss", "efficiency_curve", "charge_efficiency_frac"}:
        keys |= {"charge_efficiency_frac": 1.0, "discharge_efficiency_frac": 1.0}
    return Module.model_validate({"name": "M50", "rating_kva": 50.0, "standby_kw": 0.0, "price": 0.0, **keys})


def curved_modules(**keys):
    """Draw a module type with a loss curve or a table of efficiencies."""
    return st.one_of(
        loss_curves().map(lambda loss: module_with(loss=loss, **keys)),
        efficiency_tables().map(lambda points: module_with(efficiency_curve=points, **keys)),
    )


@st.composite
def rack_banks(draw, *, most_kw: float = 400.0) -> RackBank:
    """Draw racks whose resistance loses no more than a fifth of the power anywhere."""
    return RackBank(
        charge_frac=draw(st.floats(0.7, 1)),
        discharge_frac=draw(st.floats(0.7, 1)),
        square_per_kw=draw(st.floats(0, 0.2)) / most_kw,
        cooling_frac=draw(st.sampled_from([0.0, 0.3, 1.0])),
    )


def rows(n_steps: int, low: int, high: int):
    """Draw one whole number for each step."""
    return st.lists(st.integers(low, high), min_size=n_steps, max_size=n_steps).map(lambda row: np.array(row, float))


@st.composite
def limits_above(draw, needed):
    """Draw limits that leave room for what is needed: none, one for all steps, or one each, often without slack."""
    kind = draw(st.sampled_from(["none", "constant", "each"]))
    if kind == "none":
        return np.full(len(needed), np.inf)
    if kind == "constant":
        return np.full(len(needed), np.max(needed) + draw(st.integers(0, 50)))
    return needed + draw(rows(len(needed), 0, 30))


@st.composite
def billed_peaks(draw, n_steps: int):
    """Draw up to three peaks over any steps; they may overlap."""
    steps = st.sets(st.integers(0, n_steps - 1), min_size=1).map(sorted)
    drawn = draw(st.lists(st.tuples(st.integers(0, 20), steps), max_size=3))
    return tuple(Peak(name=f"P{k}", rate_per_kw=float(rate), steps=np.array(at)) for k, (rate, at) in enumerate(drawn))


@st.composite
def price_rows(draw, n_steps: int, *, convex: bool):
    """Draw prices to buy and sell; convex ones are not negative, and selling is never dearer than buying."""
    if convex:
        buy = draw(rows(n_steps, 0, 40)) / 100
        return buy, np.minimum(buy, draw(rows(n_steps, 0, 40)) / 100)
    return draw(rows(n_steps, -20, 40)) / 100, draw(rows(n_steps, -20, 40)) / 100


def some_loads(n_steps: int):
    """Draw a load that is often zero."""
    return st.one_of(st.just(np.zeros(n_steps)), rows(n_steps, 0, 100))


def one_way_fractions():
    """Draw an efficiency."""
    return st.sampled_from([1.0, 0.99, 0.95, 0.9, 0.8])


@st.composite
def moving_problems(draw, *, convex: bool, most_steps: int = 12) -> Problem:
    """Draw a problem with every feature around a schedule that keeps all its limits, so that it can be solved.

    Floors, ceilings and limits change in time and are often as tight as that schedule leaves them.
    """
    n = draw(st.integers(2, most_steps))
    h, keep = draw(st.sampled_from([0.25, 0.5, 1.0])), draw(st.sampled_from([1.0, 0.99, 0.9]))
    charge_frac, discharge_frac = draw(one_way_fractions()), draw(one_way_fractions())
    end = draw(st.sampled_from(["periodic", "free", "fixed"]))
    stored = draw(st.one_of(rows(n, 0, 60), st.integers(0, 60).map(lambda level: np.full(n, float(level)))))
    start = stored[-1] if end == "periodic" else float(draw(st.integers(0, 60)))
    dc_kw = (stored - keep * np.concatenate(([start], stored[:-1]))) / h
    charge, discharge = np.maximum(dc_kw, 0) / charge_frac, np.maximum(-dc_kw, 0) * discharge_frac
    load, pv, auxiliary = draw(some_loads(n)), draw(some_loads(n)), float(draw(st.integers(0, 3)))
    buy, sell = draw(price_rows(n, convex=convex))
    surplus = pv + discharge - load - auxiliary - charge
    # A limit on export may force energy to be burnt, which makes a problem non-convex.
    export_limit = np.full(n, np.inf) if convex else draw(limits_above(np.maximum(surplus - pv, 0)))
    spilled = np.maximum(surplus - export_limit, 0)
    return small_problem(
        n,
        step_h=h,
        load_kw=load,
        pv_kw=pv,
        auxiliary_kw=auxiliary,
        curtailable_kw=np.clip(draw(rows(n, 0, 100)), spilled, pv),
        buy_per_kwh=buy,
        sell_per_kwh=sell,
        import_limit_kw=draw(limits_above(np.maximum(spilled - surplus, 0))),
        export_limit_kw=export_limit,
        charge_limit_kw=charge + draw(rows(n, 0, 30)),
        discharge_limit_kw=discharge + draw(rows(n, 0, 30)),
        into_limit_kw=draw(limits_above(charge * charge_frac)),
        outof_limit_kw=draw(limits_above(discharge / discharge_frac)),
        charge_frac=charge_frac,
        discharge_frac=discharge_frac,
        keep_frac=keep,
        floor_kwh=np.maximum(stored - draw(rows(n, 0, 40)), 0),
        ceiling_kwh=stored + draw(rows(n, 0, 40)),
        start_kwh=None if end == "periodic" else start,
        end_kwh=stored[-1] if end == "fixed" else None,
        wear_per_kwh=draw(st.integers(0, 5)) / 100,
        peaks=draw(billed_peaks(n)),
        fixed_cost=float(draw(st.integers(-10, 10))),
    )


@st.composite
def steady_problems(draw, *, convex: bool, most_steps: int = 12) -> Problem:
    """Draw a problem with a constant window of the store and no standing loss, in which standing still is allowed.

    Only the PV that the export limit would not take may be curtailed.
    """
    n = draw(st.integers(2, most_steps))
    floor, usable = draw(st.integers(0, 20)), draw(st.integers(0, 80))
    load, pv, auxiliary = draw(some_loads(n)), draw(some_loads(n)), draw(st.integers(0, 3))
    buy, sell = draw(price_rows(n, convex=convex))
    export_limit = draw(st.sampled_from([np.inf, 0.0, 20.0]))
    spilled = np.maximum(pv - load - auxiliary - export_limit, 0)
    ends = [{}, {"start_kwh": float(floor)}, {"start_kwh": float(floor), "end_kwh": float(floor)}]
    return small_problem(
        n,
        step_h=draw(st.sampled_from([0.25, 0.5, 1.0])),
        load_kw=load,
        pv_kw=pv,
        auxiliary_kw=auxiliary,
        curtailable_kw=spilled,
        buy_per_kwh=buy,
        sell_per_kwh=sell,
        import_limit_kw=draw(limits_above(np.maximum(load + auxiliary - pv, 0))),
        export_limit_kw=export_limit,
        charge_limit_kw=draw(st.integers(0, 50)),
        discharge_limit_kw=draw(st.integers(0, 50)),
        into_limit_kw=draw(st.sampled_from([np.inf, 15.0])),
        outof_limit_kw=draw(st.sampled_from([np.inf, 15.0])),
        charge_frac=draw(one_way_fractions()),
        discharge_frac=draw(one_way_fractions()),
        floor_kwh=floor,
        ceiling_kwh=floor + usable,
        wear_per_kwh=draw(st.integers(0, 5)) / 100,
        peaks=draw(billed_peaks(n)),
        fixed_cost=draw(st.integers(-10, 10)),
        **draw(st.sampled_from(ends)),
    )


@st.composite
def chord_rows(draw) -> tuple[Segment, ...]:
    """Draw up to three chords, each worse than the one before."""
    n = draw(st.integers(1, 3))
    widths = draw(st.lists(st.integers(1, 40), min_size=n, max_size=n))
    fracs = sorted(draw(st.lists(st.integers(70, 100), min_size=n, max_size=n)), reverse=True)
    cooling = sorted(draw(st.lists(st.integers(0, 10), min_size=n, max_size=n)))
    return tuple(Segment(float(w), f / 100, c / 100) for w, f, c in zip(widths, fracs, cooling, strict=True))
