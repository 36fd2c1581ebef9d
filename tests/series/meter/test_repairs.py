"""Repairs are made only where they are allowed, listed and counted; those that claim to keep energy do."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.scenario.series_file import Repairs
from crestfall.series.meter import Mark, Rows, Said, clean, coarse_note, notes_on, resampled, summary_of
from crestfall.series.meter._clock import clock_of
from crestfall.series.meter._record import Notebook
from crestfall.series.meter._register import kind_of_values, of_register

FIRST_S = int(dt.datetime(2025, 3, 3, tzinfo=dt.UTC).timestamp())  # a Monday
WEEK = 168


def rows(load_kw, *, utc_s=None, step_s=3600, zone="UTC", **others) -> Rows:
    load_kw = np.array(load_kw, float)
    utc_s = FIRST_S + step_s * np.arange(len(load_kw)) if utc_s is None else np.array(utc_s)
    return Rows(
        source="meter.csv",
        utc_s=utc_s.astype(np.int64),
        step_s=step_s,
        load_kw=load_kw,
        export_kw=others.pop("export_kw", None),
        line=np.arange(2, len(load_kw) + 2),
        clock=clock_of(zone, int(utc_s.min()), int(utc_s.max())),
        **others,
    )


def week_shape(n_weeks: int) -> np.ndarray:
    """Each hour of the week has its own value, each week is the same."""
    return np.tile(20 + np.arange(WEEK) % 24 + 3 * (np.arange(WEEK) // 24), n_weeks).astype(float)


def only(series, kind):
    (found,) = [one for one in series.defects if one.kind.startswith(kind)]
    return found


def test_sound_data_are_left_alone():
    load = week_shape(3)
    series = clean(rows(load), Repairs())
    assert (series.load_kw.tolist(), series.defects, series.marks.any()) == (load.tolist(), [], False)


@pytest.mark.parametrize(("policy", "value", "added"), [("first", 5.0, -7.0), ("last", 7.0, -5.0), ("mean", 6.0, -6.0)])
def test_doubles(policy, value, added):
    damaged = rows([5.0, 5.0, 7.0, 9.0], utc_s=FIRST_S + 3600 * np.array([0, 1, 1, 2]))
    refused = only(clean(damaged, Repairs()), "steps that stand twice")
    assert (refused.is_open, refused.steps, refused.option) == (True, 1, "doubles=first")
    series = clean(damaged, Repairs(doubles=policy))
    assert series.load_kw.tolist() == [5.0, value, 9.0]
    assert only(series, "steps that stand twice").added_kwh == pytest.approx(added)
    assert series.marks.tolist() == [Mark.METERED, Mark.REPAIRED, Mark.METERED]


def test_rows_out_of_order_are_sorted_and_keep_their_energy():
    damaged = rows([1.0, 2.0, 4.0, 3.0], utc_s=FIRST_S + 3600 * np.array([0, 1, 3, 2]))
    refused = only(clean(damaged, Repairs()), "rows out of order")
    assert refused.first == "2025-03-03 02:00 (line 5)"
    assert clean(damaged, Repairs(disorder="sort")).load_kw.tolist() == [1.0, 2.0, 3.0, 4.0]


def test_short_gaps_are_filled_on_a_line_and_longer_ones_refused():
    load = np.array([1.0, 2.0, np.nan, np.nan, 5.0, np.nan, np.nan, np.nan, 1.0])
    policy = Repairs(gaps="interpolate", longest_gap_steps=2)
    series = clean(rows(load), policy)
    assert series.load_kw[:5].tolist() == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert np.isnan(series.load_kw[5:8]).all()
    (left,) = series.open_defects
    assert (left.steps, left.option) == (3, "longest_gap_steps=3")


@given(st.integers(2 * WEEK, 3 * WEEK - 6), st.integers(1, 6))
def test_neighbouring_weeks_give_back_what_was_cut_out(at, length):
    whole = week_shape(5)
    cut = whole.copy()
    cut[at : at + length] = np.nan
    series = clean(rows(cut), Repairs(gaps="neighbour_weeks"))
    assert series.load_kw == pytest.approx(whole)
    assert np.flatnonzero(series.marks == Mark.REPAIRED).tolist() == list(range(at, at + length))


def test_neighbouring_weeks_follow_the_wall_clock_over_a_clock_change():
    """A load that rises at 7:00 local time is filled at 7:00 local time in the week of the change."""
    n = 6 * WEEK
    clock = clock_of("Europe/Berlin", FIRST_S, FIRST_S + 3600 * n)
    hour = clock.wall_s(FIRST_S + 3600 * np.arange(n)) // 3600 % 24
    whole = np.where((hour >= 7) & (hour < 18), 90.0, 30.0 + hour / 10)
    cut = whole.copy()
    gap = slice(28 * 24, 28 * 24 + 8)  # Monday 31 March, the day after the change
    cut[gap] = np.nan
    series = clean(rows(cut, zone="Europe/Berlin"), Repairs(gaps="neighbour_weeks"))
    assert series.load_kw[gap] == pytest.approx(whole[gap])


def test_a_missing_month_is_refused_or_built_from_the_weeks_around():
    whole = week_shape(20)
    cut = whole.copy()
    cut[8 * WEEK : 12 * WEEK] = np.nan
    (refused,) = clean(rows(cut), Repairs(gaps="interpolate", longest_gap_steps=9999)).open_defects
    assert refused.option == "missing_month=profile"
    series = clean(rows(cut), Repairs(missing_month="profile"))
    assert series.load_kw == pytest.approx(whole)
    assert series.open_defects == []


@given(st.lists(st.floats(0, 500), min_size=6, max_size=60), st.data())
def test_spreading_a_register_keeps_its_energy(powers, data):
    """Whatever readings are missing, first and last count say the energy."""
    counts = 1000 + np.concatenate(([0], np.cumsum(powers)))
    kept = sorted({0, len(counts) - 1, *data.draw(st.sets(st.integers(1, len(counts) - 2), min_size=2))})
    gaps = np.diff(kept)
    readings = rows(counts[kept], utc_s=FIRST_S + 3600 * np.array(kept))
    register = of_register(readings, Notebook("meter.csv"))
    series = clean(register, Repairs(register_gaps="spread"))
    assert series.load_kw.sum() == pytest.approx(counts[-1] - counts[0])
    assert len(series.load_kw) == len(powers)
    refused = clean(register, Repairs()).open_defects
    assert sum(one.steps for one in refused) == gaps[gaps > 1].sum()


@given(st.lists(st.floats(50, 90), min_size=8, max_size=60), st.integers(3, 5), st.floats(0.2, 0.9), st.booleans())
@settings(max_examples=40)
def test_a_register_past_its_last_digit_keeps_its_energy(powers, digits, at, has_export):
    """Import and export pass it apart from each other."""
    full = 10.0**digits
    gained = np.concatenate(([0], np.cumsum(powers)))
    counts = at * full + gained
    register = of_register(
        rows(counts % full, export_kw=(0.3 * full + gained) % full if has_export else None), Notebook("meter.csv")
    )
    series = clean(register, Repairs(rollover="add"))
    assert series.open_defects == []
    assert series.load_kw == pytest.approx(np.array(powers))
    if has_export:
        assert series.export_kw == pytest.approx(np.array(powers))
    refused = clean(register, Repairs()).open_defects
    assert all(one.option == "rollover=add" for one in refused)
    assert bool(refused) == (counts[-1] >= full or (has_export and 0.3 * full + gained[-1] >= full))


def test_an_exchanged_register_leaves_a_gap():
    """From 12,345 to 3 kWh would be 87,658 kWh in an hour, which no other hour comes near."""
    notes = Notebook("meter.csv")
    register = of_register(rows([12_300.0, 12_320.0, 12_345.0, 3.0, 25.0]), notes)
    series = clean(register, Repairs(rollover="add"))
    assert series.load_kw.tolist() == pytest.approx([20.0, 25.0, np.nan, 22.0], nan_ok=True)
    assert [one.why for one in notes.evidence] == ["exchanged, or set back"]


def test_a_register_that_falls_now_and_then_is_no_load():
    counts = np.cumsum(np.full(1000, 7.0)) % 1000
    notes = Notebook("meter.csv")
    assert kind_of_values(counts, "kWh", Said(), notes) == "register"
    assert notes.evidence[0].why == "they rise 992 times and fall 7 times"


def test_readings_of_one_moment_are_said():
    notes = Notebook("meter.csv")
    of_register(rows([1.0, 2.0, 2.0, 4.0], utc_s=FIRST_S + 3600 * np.array([0, 1, 1, 2])), notes)
    assert [(one.topic, one.value) for one in notes.evidence] == [("readings of one moment", "1 left out")]


def test_a_repeated_hour_that_stands_once_is_copied_or_split():
    zone = "Europe/Berlin"
    change = next(c for c in clock_of(zone, FIRST_S, FIRST_S + 300 * 86400).changes if not c.is_forward)
    utc_s = change.at_s - 3600 + 900 * np.array([-4, -3, -2, -1, 0, 1, 2, 3, 8, 9, 10, 11])
    damaged = rows([10.0] * 4 + [40.0] * 4 + [10.0] * 4, utc_s=utc_s, step_s=900, zone=zone, once=(change,))
    (refused,) = clean(damaged, Repairs()).open_defects
    assert (refused.kind, refused.steps, refused.option) == ("repeated hour that stands once", 4, "changed_hour=copy")
    copied = clean(damaged, Repairs(changed_hour="copy"))
    assert copied.load_kw.tolist() == [10.0] * 4 + [40.0] * 8 + [10.0] * 4
    split = clean(damaged, Repairs(changed_hour="split"))
    assert split.load_kw.tolist() == [10.0] * 4 + [20.0] * 8 + [10.0] * 4
    assert split.load_kw.sum() == damaged.load_kw.sum()
    assert only(split, "repeated hour").added_kwh == pytest.approx(0.0)


@given(st.lists(st.floats(-200, 200), min_size=3, max_size=50))
def test_negative_load_counted_as_export_keeps_the_balance(powers):
    series = clean(rows(powers), Repairs(negative="export"))
    export = np.zeros(len(powers)) if series.export_kw is None else series.export_kw
    assert series.load_kw - export == pytest.approx(np.array(powers))
    assert (series.load_kw >= 0).all()


def test_negative_load_is_refused_by_default():
    (refused,) = clean(rows([5.0, -1.0, 3.0]), Repairs()).open_defects
    assert refused.kind == "negative load: PV behind the meter?"


@pytest.mark.parametrize(("key", "kind"), [("zeros", "zeros"), ("stuck", "one value"), ("spikes", "spikes")])
def test_suspects_are_kept_and_shown_unless_they_are_to_be_gaps(key, kind):
    load = week_shape(8) + np.random.default_rng(3).normal(0, 0.4, 8 * WEEK).round(2)
    place = {"zeros": slice(500, 505), "stuck": slice(500, 520), "spikes": slice(500, 501)}[key]
    load[place] = {"zeros": 0.0, "stuck": 31.5, "spikes": 2000.0}[key]
    series = clean(rows(load), Repairs())
    assert np.flatnonzero(series.marks == Mark.SUSPECT).tolist() == list(range(place.start, place.stop))
    assert series.load_kw.tolist() == load.tolist()
    assert only(series, kind).option == f"{key}=gap"
    repaired = clean(rows(load), Repairs(**{key: "gap"}, gaps="neighbour_weeks", longest_gap_steps=24))
    assert repaired.open_defects == []
    assert repaired.load_kw[place] == pytest.approx(week_shape(8)[place], abs=1.5)


@pytest.mark.parametrize(("factor", "what"), [(4.0, "unit"), (0.25, "unit"), (1000.0, "unit"), (2.9, "ask what")])
def test_a_change_of_level_is_said_with_its_factor(factor, what):
    load = week_shape(20)
    load[10 * WEEK :] *= factor
    (note,) = notes_on(clean(rows(load), Repairs()))
    assert what in note
    assert f"{factor:,g} times" in note


@given(
    st.sampled_from([4.0, 60.0, 1000.0]),
    st.booleans(),
    st.integers(5 * WEEK, 9 * WEEK),
    st.integers(4 * WEEK, 7 * WEEK),
    st.integers(0, 2**32),
)
@settings(max_examples=25)
def test_a_month_in_another_unit_is_found_to_the_step_and_brought_back(unit, is_less, at, length, seed):
    """What was scaled comes back exactly; with the other part as the right one all else is scaled."""
    sound = week_shape(20) * np.random.default_rng(seed).uniform(0.8, 1.2, 20 * WEEK)
    factor = 1 / unit if is_less else unit
    damaged = sound.copy()
    damaged[at : at + length] *= factor
    kept = clean(rows(damaged), Repairs())
    assert only(kept, "another unit").option == "units=first"
    assert kept.load_kw.tolist() == damaged.tolist()
    series = clean(rows(damaged, export_kw=damaged / 2), Repairs(units="first"))
    assert series.load_kw == pytest.approx(sound)
    assert series.export_kw == pytest.approx(sound / 2)
    assert np.flatnonzero(series.marks == Mark.REPAIRED).tolist() == list(range(at, at + length))
    assert only(series, "another unit").added_kwh == pytest.approx(sound.sum() - damaged.sum())
    # The file ends in the unit in which it began: the last part says the same.
    assert clean(rows(damaged), Repairs(units="last")).load_kw == pytest.approx(sound)


def test_the_last_part_may_be_the_right_one():
    sound = week_shape(20)
    damaged = np.concatenate((sound[: 10 * WEEK + 77] / 1000, sound[10 * WEEK + 77 :]))
    assert clean(rows(damaged), Repairs(units="last")).load_kw == pytest.approx(sound)
    assert clean(rows(damaged), Repairs(units="first")).load_kw == pytest.approx(sound / 1000)


def test_a_lasting_change_that_is_no_unit_is_left_alone():
    load = week_shape(20)
    load[10 * WEEK :] *= 2.9
    assert clean(rows(load), Repairs(units="first")).load_kw.tolist() == load.tolist()


def test_a_year_of_one_day_is_no_measurement():
    load = np.tile(10 + np.arange(24.0), 30)
    assert "a profile, not a measurement?" in notes_on(clean(rows(load), Repairs()))[0]


def test_a_summary_worked_by_hand():
    series = clean(rows([2.0, 4.0, 6.0, 12.0]), Repairs())
    one = summary_of(series)
    assert (one.energy_kwh, one.peak_kw, one.load_factor_frac) == (24.0, 12.0, 0.5)
    assert (one.peak_at.hour, one.metered_frac) == (3, 1.0)


# --- other steps ------------------------------------------------------------------------------------------------------


@given(
    st.sampled_from([1, 5, 10, 15, 20, 30, 60]),
    st.sampled_from([5, 10, 15, 20, 30, 60]),
    st.integers(1, 4),
    st.integers(0, 2**32),
)
def test_other_steps_keep_energy_and_invent_no_peak(step_min, to_min, hours, seed):
    values = np.random.default_rng(seed).uniform(0, 100, hours * 60 // step_min)
    other = resampled(values, step_min=step_min, to_min=to_min)
    assert other.sum() * to_min == pytest.approx(values.sum() * step_min)
    assert other.max() <= values.max() * (1 + 1e-12)


def test_coarse_data_say_how_much_a_peak_may_be_understated():
    assert coarse_note(15, 15) == ""
    assert "monthly peaks lay 3 to 31 % higher" in coarse_note(60, 15)
    assert coarse_note(60, 5).endswith("by how much is not known")
