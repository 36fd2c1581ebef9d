"""From a sweep file to its cases, each checked before anything runs."""

import hashlib
import itertools
import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import InputError, KeyedError, KeyPath, ScenarioError, dotted
from crestfall.scenario import Document, Scenario, load_scenario, load_sweep, path_of, value_at, varied
from crestfall.scenario.sweep_file import FORMS, Axis, Lognormal, Normal, SweepFile, Triangular, Uniform, Value
from crestfall.study._inputs import read_files
from crestfall.study._option_figures import FIGURE_COLUMNS
from crestfall.study._quantiles import design, lognormal, normal, triangular, uniform
from crestfall.study._shared import Shared

DEFAULT_LIMIT = 10_000
RESERVED_NAMES = (*FIGURE_COLUMNS, "draw", "case", "status", "reason")  # other columns of the table
FloatArray = NDArray[np.float64]
Change = tuple[KeyPath, Value]


@dataclass(frozen=True, slots=True)
class SweepCase:
    """One case: what it changes of the base.

    Parameters
    ----------
    key : str
        A hash of all that its result depends on.
    changes : tuple of (path, value)
        New values by key.
    days_seed : int or None
        Start of the random numbers by which the days of load are drawn anew; None for the days as they are.
    """

    key: str
    changes: tuple[Change, ...]
    days_seed: int | None = None


@dataclass(frozen=True, kw_only=True)
class SweepPlan:
    """All cases of a sweep.

    Parameters
    ----------
    path : Path
        The sweep file.
    sweep : SweepFile
        What it says; the seed of draws is filled in.
    base : Scenario
        The scenario that is varied.
    frame : DataFrame
        A column for each axis and a row for each case: the value, for a factor that of the key, for keys that move
        together that of the first; with `draw`, the number of the draw, where something is drawn.
    cases : tuple of SweepCase
        The cases, in the order of the rows.
    base_values : tuple
        What each axis is in the base, as in the frame; for keys that move together the first, None for days of load.
    moving : tuple of str
        The axis that moves in each case, the others as in the base; empty where they are combined.
    """

    path: Path
    sweep: SweepFile
    base: Scenario
    frame: pd.DataFrame
    cases: tuple[SweepCase, ...]
    base_values: tuple[Any, ...]
    moving: tuple[str, ...] = ()

    @property
    def axes(self) -> tuple[Axis, ...]:
        """What moves."""
        return self.sweep.axes

    @property
    def policies(self) -> list[str]:
        """The policies that cases follow: that of the base, or those of an axis."""
        usual: str = self.base.ask.policy
        named = (str(dict(case.changes).get(("policy",), usual)) for case in self.cases)
        return list(dict.fromkeys(named))

    @property
    def seed(self) -> int | None:
        """Start of the random numbers; None where nothing is drawn."""
        return None if self.sweep.draws is None else self.sweep.draws.seed


def load_plan(path: str | Path, *, limit: int = DEFAULT_LIMIT, seed: int | None = None) -> SweepPlan:
    """
    Load a sweep file with its scenario and lay out all cases; each value of each axis is checked alone.

    Parameters
    ----------
    path : str or Path
        The YAML file.
    limit : int, default=10000
        Most cases.
    seed : int, optional
        Start of the random numbers where the file has none; left out: one is drawn.

    Returns
    -------
    SweepPlan
        The cases.

    Raises
    ------
    InputError
        If anything is wrong in one of the files, or there are too many cases.
    """
    sweep, document = load_sweep(path)
    base = load_scenario(document.path.parent / sweep.base)
    always: tuple[Change, ...] = ()
    if sweep.study == "first_year":
        always = ((("life",), None),)
        base = varied(base, dict(always))
    if sweep.draws is not None and sweep.draws.seed is None:
        drawn = int(np.random.SeedSequence().generate_state(1)[0]) if seed is None else seed
        sweep = sweep.model_copy(update={"draws": sweep.draws.model_copy(update={"seed": drawn})})
    axes = [_Laid.of(axis, place, base, document) for place, axis in enumerate(sweep.axes)]
    _check_axes(sweep, axes, document)
    count = _count(sweep, axes)
    if count > limit:
        raise InputError(
            f"{document.path}: {count:,} cases ({_product_words(sweep, axes)}), expected at most {limit:,}\n"
            f"    take fewer values or draws, or allow them with --limit {count}"
        )
    draws, shared = _design(sweep, axes), Shared()
    axes = [axis.checked(base, draws, shared) for axis in axes]
    rows = list(_rows(sweep, axes, draws))
    common = base.fingerprint()
    cases = tuple(_case(common, row, always) for row in rows)
    columns = {axis.axis.title: _column([row.shown[at] for row in rows], axis) for at, axis in enumerate(axes)}
    frame = pd.DataFrame({title: column for title, (column, _) in columns.items()})
    if sweep.draws is not None:
        frame["draw"] = [row.draw for row in rows]
    return SweepPlan(
        path=document.path,
        sweep=sweep,
        base=base,
        frame=frame,
        cases=cases,
        base_values=tuple(base for _, base in columns.values()),
        moving=tuple(row.moving for row in rows if row.moving is not None),
    )


@dataclass(frozen=True, slots=True)
class _Step:
    """One value of an axis: what it changes, how it is shown, and a hash of all that files hold which it names."""

    changes: tuple[Change, ...]
    shown: Value
    days_seed: int | None = None
    content: str = ""


@dataclass(frozen=True, slots=True)
class _Row:
    changes: tuple[Change, ...]
    shown: tuple[Value, ...]
    days_seed: int | None
    draw: int
    content: tuple[str, ...]
    moving: str | None


@dataclass(frozen=True, slots=True)
class _Laid:
    """An axis with its keys found in the base, and the steps that it lists or draws."""

    axis: Axis
    place: int
    document: Document
    paths: tuple[KeyPath, ...]
    base_value: Any
    steps: tuple[_Step, ...]

    @classmethod
    def of(cls, axis: Axis, place: int, base: Scenario, document: Document) -> "_Laid":
        paths, listed = [], []
        for number, one in enumerate(axis.keys):
            where: KeyPath = ("axes", place) if one is axis else ("axes", place, "together", number)
            path, value = _found(one, base, document, where)
            paths.append(path)
            listed.append([(path, _meant(shown, one, value, document)) for shown in one.listed()])
        steps: tuple[_Step, ...] = ()
        if listed:
            names = axis.keys[0].files or [step[1] for step in listed[0]]  # a file is shown as it was written
            steps = tuple(_Step(step, name) for step, name in zip(zip(*listed, strict=True), names, strict=True))
        base_value = value_at(base, paths[0]) if paths else None
        if paths and axis.keys[0].files is not None and isinstance(base_value, str):
            file = str(base.file_path(base_value).resolve())
            base_value = next((step.shown for step in steps if step.changes[0][1] == file), base_value)
        return cls(axis, place, document, tuple(paths), base_value, steps)

    def drawn(self, share: FloatArray, seeds: list[int]) -> list[_Step]:
        """Return the steps of a column of a design with values from 0 to 1."""
        if self.axis.days_drawn:
            return [_Step((), at, days_seed=seed) for at, seed in enumerate(seeds, start=1)]
        values = _quantiles(self.axis, share)
        values = values * self.base_value if self.axis.relative else values
        return [_Step(((self.paths[0], float(value)),), float(value)) for value in values]

    def checked(self, base: Scenario, draws: "Sequence[Mapping[int, _Step]]", shared: Shared) -> "_Laid":
        """Return the axis with what its files hold; raise if a value cannot be used in the base, all else as it is."""
        for step in self._ends(draws):
            self._tried(step, base, None, shared)
        steps = (replace(step, content=self._tried(step, base, at, shared)) for at, step in enumerate(self.steps))
        return replace(self, steps=tuple(steps))

    def _ends(self, draws: "Sequence[Mapping[int, _Step]]") -> list[_Step]:
        """Return the lowest and the highest of what is drawn: what lies between them can be used if both can."""
        if self.axis.distribution is None:
            return []
        drawn = sorted((one[self.place] for one in draws), key=lambda step: float(step.shown or 0))
        return [drawn[0], drawn[-1]]

    def _tried(self, step: _Step, base: Scenario, at: int | None, shared: Shared) -> str:
        """Return a hash of the base with a step that sets a name, which may be that of a file."""
        has_name = any(isinstance(value, str) for _, value in step.changes)
        try:
            other = varied(base, dict(step.changes))
            if has_name:
                read_files(other, shared=shared)
        except InputError as error:
            raise self._located(at, step, error) from None
        return other.fingerprint() if has_name else ""

    def _located(self, at: int | None, step: _Step, error: InputError) -> ScenarioError:
        form = next((name for name in FORMS if getattr(self.axis, name) is not None), "together")
        key: KeyPath = ("axes", self.place, form)
        if at is not None and form in ("values", "files"):
            key = (*key, at)
        named = f"axis '{self.axis.title}', value {step.shown!r}"
        if at is None:
            named = f"axis '{self.axis.title}', drawn value {step.shown:.6g}"
        match error:
            case ScenarioError(faults=(first, *_)):
                of_file = f"{first.file}:{first.line}" if self.axis.files is not None and first.line else ""
                text, remedy = ": ".join(filter(None, [named, of_file, first.key, first.text])), first.remedy
            case KeyedError():
                text, remedy = f"{named}: found {error.found}, expected {error.expected}", error.remedy
            case _:
                first_line, *rest = str(error).splitlines()
                text, remedy = f"{named}: {first_line}", " ".join(line.strip() for line in rest) or "correct it"
        return ScenarioError((self.document.fault(key, text, remedy),))


def _found(axis: Axis, base: Scenario, document: Document, where: KeyPath) -> tuple[KeyPath, Any]:
    """Return the path of a key and its value in the base."""
    try:
        path = path_of(axis.key or "")
        value = value_at(base, path)
        if axis.relative and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise KeyedError(
                "sweep",
                (),
                found=f"relative, but the base has {'nothing' if value is None else repr(value)} there",
                expected="a number to multiply",
                remedy="write the key in the base, or give values",
            )
    except KeyedError as error:
        text = f"found {error.found}, expected {error.expected}"
        raise ScenarioError((document.fault((*where, "key"), text, error.remedy),)) from None
    return path, value


def _meant(value: Value, axis: Axis, base_value: Any, document: Document) -> Value:
    """Return the value that a key is set to: a factor of the base's, or the path of a file."""
    if axis.relative and isinstance(value, int | float):
        product = value * base_value
        return round(product) if isinstance(base_value, int) and float(product).is_integer() else float(product)
    if axis.files is not None:
        return str((document.path.parent / str(value)).resolve())
    return value


def _check_axes(sweep: SweepFile, axes: list[_Laid], document: Document) -> None:
    """Raise where one axis would undo another, or move what nobody looks at."""
    moved: dict[KeyPath, str] = {}
    for place, axis in enumerate(axes):
        title, names = axis.axis.title, [one.axis.title for one in axes[:place]]
        if title in names:
            raise _wrong_axis(document, place, f"a second axis '{title}'", "a name of its own", "give it another name")
        if title in RESERVED_NAMES:
            raise _wrong_axis(document, place, f"'{title}'", "another name", "the table of results has a column of it")
        if axis.axis.days_drawn and any(one.axis.days_drawn for one in axes[:place]):
            raise _wrong_axis(document, place, "days_drawn twice", "it once", "drop one of both axes")
        for path in axis.paths:
            if sweep.study == "first_year" and path[0] == "life":
                expected = "a key of the first year, since study is first_year"
                raise _wrong_axis(document, place, f"'{dotted(path)}'", expected, "write study: life, or drop the axis")
            if other := next((one for one in moved if one[: len(path)] == path or path[: len(one)] == one), None):
                found = f"'{dotted(path)}' beside '{dotted(other)}' (axis '{moved[other]}')"
                raise _wrong_axis(document, place, found, "each key once", "what one sets, the other would undo")
            moved[path] = title
        listed = Counter(step.changes for step in axis.steps)
        if twice := next((step for step in axis.steps if listed[step.changes] > 1), None):
            found = f"{twice.shown!r} twice"
            raise _wrong_axis(document, place, found, "each value once", "no case is studied twice")


def _wrong_axis(document: Document, place: int, found: str, expected: str, remedy: str) -> ScenarioError:
    return ScenarioError((document.fault(("axes", place), f"found {found}, expected {expected}", remedy),))


def _count(sweep: SweepFile, axes: list[_Laid]) -> int:
    draws = 1 if sweep.draws is None else sweep.draws.count
    listed = [len(axis.steps) for axis in axes if not axis.axis.is_drawn]
    return (sum(listed) if sweep.combine == "one_at_a_time" and listed else math.prod(listed)) * draws


def _product_words(sweep: SweepFile, axes: list[_Laid]) -> str:
    parts = [f"{len(axis.steps)} of {axis.axis.title}" for axis in axes if not axis.axis.is_drawn]
    sign = " + " if sweep.combine == "one_at_a_time" else " × "
    words = sign.join(parts)
    if sweep.draws is None:
        return words
    return f"({words}) × {sweep.draws.count} draws" if parts else f"{sweep.draws.count} draws"


def _rows(sweep: SweepFile, axes: list[_Laid], draws: list[dict[int, _Step]]) -> Iterator[_Row]:
    """Return the cases: listed values combined, and each combination in every draw."""
    is_alone = sweep.combine == "one_at_a_time" and any(axis.steps for axis in axes)
    for combination in _combinations(sweep, axes):
        for number, drawn in enumerate(draws, start=1):
            steps = combination | drawn
            ordered = [steps.get(axis.place, _Step((), _plain(axis.base_value))) for axis in axes]
            seeds = [step.days_seed for step in ordered if step.days_seed is not None]
            yield _Row(
                changes=tuple(change for step in ordered for change in step.changes),
                shown=tuple(step.shown for step in ordered),
                days_seed=seeds[0] if seeds else None,
                draw=number,
                content=tuple(step.content for step in ordered),
                moving=axes[next(iter(combination))].axis.title if is_alone else None,
            )


def _combinations(sweep: SweepFile, axes: list[_Laid]) -> list[dict[int, _Step]]:
    listed = [axis for axis in axes if not axis.axis.is_drawn]
    if sweep.combine == "one_at_a_time" and listed:
        return [{axis.place: step} for axis in listed for step in axis.steps]
    places = [axis.place for axis in listed]
    return [dict(zip(places, steps, strict=True)) for steps in itertools.product(*(axis.steps for axis in listed))]


def _design(sweep: SweepFile, axes: list[_Laid]) -> list[dict[int, _Step]]:
    """Return the draws of all drawn axes; the same in every combination, so that differences are not by chance."""
    drawn = [axis for axis in axes if axis.axis.is_drawn]
    if sweep.draws is None or not drawn:
        return [{}]
    count, seed = sweep.draws.count, sweep.draws.seed
    share = design(count, len(drawn), seed, method=sweep.draws.method)
    seeds = np.random.SeedSequence(seed).generate_state(count).tolist()
    columns = [axis.drawn(share[:, at], seeds) for at, axis in enumerate(drawn)]
    return [{axis.place: column[at] for axis, column in zip(drawn, columns, strict=True)} for at in range(count)]


def _quantiles(axis: Axis, share: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):  # what is no number any more is refused like any other wrong value
        match axis.distribution:
            case Uniform(low=low, high=high):
                return uniform(share, low, high)
            case Normal(mean=mean, sd=sd):
                return normal(share, mean, sd)
            case Triangular(low=low, peak=peak, high=high):
                return triangular(share, low, peak, high)
            case Lognormal(median=median, sd_log=sd_log):
                return lognormal(share, median, sd_log)
            case None:
                raise AssertionError("only what is drawn has quantiles")


def _case(common: str, row: _Row, always: tuple[Change, ...]) -> SweepCase:
    changes = (*row.changes, *always)
    text = json.dumps([common, [[list(path), value] for path, value in changes], row.content, row.days_seed])
    return SweepCase(hashlib.sha256(text.encode()).hexdigest()[:32], changes, row.days_seed)


def _plain(value: Any) -> Value:
    return value if isinstance(value, bool | int | float | str) else None


def _column(shown: list[Value], axis: _Laid) -> "tuple[pd.Series[Any], Any]":
    """Return the column of an axis, and the base's value as it would stand there; None where it has none."""
    base = _plain(axis.base_value)
    column = _one_type(pd.Series(shown if base is None else [*shown, base]))
    value = None if base is None else column.iloc[-1]
    return column.iloc[: len(shown)], value.item() if isinstance(value, np.generic) else value


def _one_type(column: "pd.Series[Any]") -> "pd.Series[Any]":
    """Return a column of one type, as a file of columns needs it: numbers, or text."""
    if all(isinstance(value, int | float) and not isinstance(value, bool) for value in column):
        whole = all(isinstance(value, int) for value in column)
        return column.astype("int64" if whole else "float64")
    return column.map(lambda value: "" if value is None else str(value)).astype(object)
