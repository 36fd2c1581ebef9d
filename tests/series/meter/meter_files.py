"""Meter files in many layouts, written in plain Python and zoneinfo, apart from the reader under test."""

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

UTC = dt.UTC
ENGLISH = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, kw_only=True)
class Series:
    """A load: power of each step, in kW, from local midnight to local midnight."""

    zone: str
    first: dt.datetime  # UTC
    step_min: int
    load_kw: tuple[float, ...]

    @property
    def starts(self) -> list[dt.datetime]:
        return [self.first + dt.timedelta(minutes=self.step_min * n) for n in range(len(self.load_kw))]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a series is written."""

    date: str = "iso"
    clock: str = "local"  # local, standard, utc, offset or names
    stamp: str = "start"
    unit: str = "kW"
    delimiter: str = ","
    decimal: str = "."
    decimals: int = 2
    columns: str = "stamp"  # stamp, date and time, date and number (or count), start and end, days or long days
    first_number: int = 1
    head: str = "plain"
    kind: str = "interval"
    encoding: str = "utf-8"
    order: str = "forwards"

    def truth(self, series: Series) -> dict[str, object]:
        """What a user who knows the file would say."""
        orders = {"dots": "dmy", "slashes": "dmy", "american": "mdy", "short": "dmy"}
        said = {
            "zone": series.zone,
            "stamp": self.stamp,
            "unit": self.unit,
            "kind": self.kind,
            "decimal": self.decimal,
            "date_order": orders.get(self.date, "ymd"),
            "delimiter": self.delimiter,
        }
        if self.clock == "standard":
            said["clock"] = offset_name(standard_offset(series))
        elif self.clock in ("local", "utc"):
            said["clock"] = "UTC" if self.clock == "utc" else series.zone
        if self.columns == "long days" or self.kind == "register":
            said["stamp"] = None if self.kind == "register" else "start"
        return said


def standard_offset(series: Series) -> dt.timedelta:
    zone = ZoneInfo(series.zone)
    year = series.first.year
    return min(dt.datetime(year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7))


def offset_name(offset: dt.timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    sign = "-" if minutes < 0 else "+"
    return f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def on_clock(moment: dt.datetime, layout: Layout, series: Series) -> dt.datetime:
    """What the meter's clock shows; with its zone where the layout writes an offset or a name."""
    if layout.clock == "utc":
        return moment.replace(tzinfo=None)
    if layout.clock == "standard":
        return (moment + standard_offset(series)).replace(tzinfo=None)
    local = moment.astimezone(ZoneInfo(series.zone))
    return local if layout.clock in ("offset", "names") else local.replace(tzinfo=None)


DATES: dict[str, Callable[[dt.datetime], str]] = {
    "iso": lambda at: f"{at:%Y-%m-%d}",
    "dots": lambda at: f"{at:%d.%m.%Y}",
    "slashes": lambda at: f"{at:%d/%m/%Y}",
    "american": lambda at: f"{at.month}/{at.day}/{at.year}",
    "short": lambda at: f"{at:%d.%m.%y}",
    "compact": lambda at: f"{at:%Y%m%d}",
    "named": lambda at: f"{at.day:02d}-{ENGLISH[at.month - 1]}-{at.year}",
    "T": lambda at: f"{at:%Y-%m-%d}",
    "seconds": lambda at: f"{at:%Y-%m-%d}",
}


def clock_text(at: dt.datetime, layout: Layout) -> str:
    if layout.clock == "names":
        return f"{clock_text(at.replace(tzinfo=None), replace(layout, clock='local'))} {at:%Z}"
    if layout.date == "american":
        return f"{(at.hour - 1) % 12 + 1}:{at.minute:02d} {'AM' if at.hour < 12 else 'PM'}"
    if layout.date == "compact":
        return f"{at:%H%M}"
    text = f"{at:%H:%M:%S}" if layout.date == "seconds" else f"{at:%H:%M}"
    if at.tzinfo is not None:
        offset = f"{at:%z}"
        text += f"{offset[:3]}:{offset[3:]}"
    return text


def stamp_text(at: dt.datetime, layout: Layout) -> str:
    gap = {"compact": "", "T": "T"}.get(layout.date, " ")
    return f"{DATES[layout.date](at)}{gap}{clock_text(at, layout)}"


def number(value: float, layout: Layout) -> str:
    return f"{value:.{layout.decimals}f}".replace(".", layout.decimal)


def in_unit(power_kw: float, layout: Layout, series: Series) -> float:
    hours = series.step_min / 60 if layout.unit.endswith("h") else 1.0
    return power_kw * hours * {"k": 1.0, "W": 1000.0, "M": 0.001}[layout.unit[0]]


def written(series: Series, layout: Layout) -> bytes:
    """Return the file."""
    if layout.columns in ("days", "long days"):
        names, rows = day_rows(series, layout)
    elif layout.kind == "register":
        names, rows = register_rows(series, layout)
    else:
        names, rows = step_rows(series, layout)
    if layout.order == "backwards":
        rows = rows[::-1]
    quoted = {
        "none": [],
        "plain": [names],
        "units": [[name.partition(" [")[0] for name in names], [unit_cell(name) for name in names]],
        "long": [["Meter", "4711"], [], ["Site", "somewhere"], names],
    }[layout.head]
    text = "\n".join(layout.delimiter.join(row) for row in [*quoted, *rows]) + "\n"
    return text.encode(layout.encoding)


def unit_cell(name: str) -> str:
    return name.partition(" [")[2].rstrip("]")


def step_rows(series: Series, layout: Layout) -> tuple[list[str], list[list[str]]]:
    step = dt.timedelta(minutes=series.step_min)
    value_name = f"Power [{layout.unit}]"
    names = {"stamp": ["Time"], "date and time": ["Date", "Clock"], "start and end": ["A", "B"]}.get(
        layout.columns, ["Date", "No of interval"]
    )
    rows = []
    for start, power in zip(series.starts, series.load_kw, strict=True):
        at = on_clock(start + step if layout.stamp == "end" else start, layout, series)
        cells = {
            "stamp": lambda at=at: [stamp_text(at, layout)],
            "date and time": lambda at=at: [DATES[layout.date](at), clock_text(at, layout)],
            "date and number": lambda at=at: [DATES[layout.date](at), f"{wall_number(at, layout, series)}"],
            "date and count": lambda start=start: counted(start, layout, series),
            "start and end": lambda at=at, start=start: [
                stamp_text(at, layout),
                stamp_text(on_clock(start + step, layout, series), layout),
            ],
        }[layout.columns]()
        rows.append([*cells, number(in_unit(power, layout, series), layout)])
    return [*names, value_name], rows


def wall_number(at: dt.datetime, layout: Layout, series: Series) -> int:
    return layout.first_number + (at.hour * 60 + at.minute) // series.step_min


def counted(start: dt.datetime, layout: Layout, series: Series) -> list[str]:
    """Date and number of an interval, counted from local midnight, however long the day is."""
    local = start.astimezone(ZoneInfo(series.zone))
    midnight = local.replace(hour=0, minute=0, fold=0).astimezone(dt.UTC)
    number = layout.first_number + (start - midnight) // dt.timedelta(minutes=series.step_min)
    return [DATES[layout.date](local), f"{number}"]


def register_rows(series: Series, layout: Layout) -> tuple[list[str], list[list[str]]]:
    hours, count = series.step_min / 60, 1234.5
    moments = [*series.starts, series.starts[-1] + dt.timedelta(minutes=series.step_min)]
    rows = []
    for n, moment in enumerate(moments):
        scale = {"k": 1.0, "W": 1000.0}[layout.unit[0]]
        rows.append([stamp_text(on_clock(moment, layout, series), layout), number(count * scale, layout)])
        count += series.load_kw[n] * hours if n < len(series.load_kw) else 0.0
    return ["Time", f"Counter [{layout.unit}]"], rows


def day_rows(series: Series, layout: Layout) -> tuple[list[str], list[list[str]]]:
    per_day = 24 * 60 // series.step_min
    days: dict[dt.date, list[tuple[dt.datetime, float]]] = {}
    for start, power in zip(series.starts, series.load_kw, strict=True):
        at = on_clock(start, layout, series)
        days.setdefault(at.date(), []).append((at, power))
    width = per_day * 25 // 24 if layout.columns == "long days" else per_day
    rows = []
    for day, steps in days.items():
        cells = [""] * width
        for n, (at, power) in enumerate(steps):
            place = n if layout.columns == "long days" else (at.hour * 60 + at.minute) // series.step_min
            cells[place] = number(in_unit(power, layout, series), layout)
        rows.append([DATES[layout.date](dt.datetime.combine(day, dt.time())), *cells])
    if layout.columns == "long days":
        names = [f"V{n + 1}" for n in range(width)]
    else:
        shift = 1 if layout.stamp == "end" else 0
        minutes = [(n + shift) * series.step_min for n in range(per_day)]
        names = [f"{m // 60:02d}:{m % 60:02d}" for m in minutes]
    return [f"Day [{layout.unit}]", *names], rows


def _layouts() -> list[Layout]:
    long = [
        Layout(),
        Layout(clock="offset", date="T"),
        Layout(clock="offset", date="T", stamp="end", unit="kWh"),
        Layout(clock="utc"),
        Layout(clock="utc", stamp="end"),
        Layout(clock="standard", delimiter=";", decimal=",", date="dots"),
        Layout(clock="standard", stamp="end", unit="kWh"),
        Layout(stamp="end"),
        Layout(stamp="end", unit="kWh", delimiter=";", decimal=",", date="dots"),
        Layout(delimiter=";", decimal=",", date="dots"),
        Layout(delimiter=";", decimal=",", date="dots", encoding="utf-16"),
        Layout(delimiter=";", decimal=",", date="dots", encoding="utf-8-sig", unit="kWh"),
        Layout(delimiter="\t", decimal=",", date="dots", unit="Wh", decimals=1),
        Layout(delimiter="|", date="compact"),
        Layout(date="american", unit="kWh", decimals=4),
        Layout(date="american", stamp="end"),
        Layout(date="slashes", delimiter=";"),
        Layout(date="slashes", stamp="end", unit="W", decimals=0),
        Layout(date="short", delimiter=";", decimal=","),
        Layout(date="named", unit="kWh", decimals=5),
        Layout(date="seconds", unit="MW", decimals=6),
        Layout(date="seconds", unit="MWh", decimals=7, delimiter="\t"),
        Layout(columns="date and time", delimiter=";", decimal=",", date="dots"),
        Layout(columns="date and time", date="american", unit="kWh"),
        Layout(columns="date and time", stamp="end", date="iso"),
        Layout(columns="start and end", delimiter=";"),
        Layout(columns="start and end", clock="offset", date="T", unit="kWh"),
        Layout(columns="date and number"),
        Layout(columns="date and number", first_number=0, delimiter=";", decimal=",", date="dots"),
        Layout(columns="date and number", clock="standard", unit="kWh", order="backwards"),
        Layout(columns="date and count", date="american"),
        Layout(columns="date and count", first_number=0, unit="kWh", decimals=4),
        Layout(head="none"),
        Layout(head="none", delimiter=";", decimal=",", date="dots"),
        Layout(head="units", delimiter=";", unit="kWh"),
        Layout(head="long", delimiter=";", decimal=",", date="dots"),
        Layout(order="backwards", clock="offset", date="T"),
        Layout(order="backwards", delimiter=";", decimal=",", date="dots", clock="utc"),
        Layout(decimals=3),
        Layout(decimals=3, decimal=",", delimiter=";", date="dots"),
        Layout(clock="names", delimiter=";", decimal=",", date="dots"),
        Layout(clock="names", date="american", stamp="end", unit="kWh", decimals=4),
        Layout(kind="register", unit="kWh", decimals=6),
        Layout(kind="register", unit="Wh", decimals=3, clock="offset", date="T"),
    ]
    wide = [
        Layout(columns="days", delimiter=";", decimal=",", date="dots", unit="kWh"),
        Layout(columns="days", stamp="end"),
        Layout(columns="long days", delimiter=";", unit="kWh"),
        Layout(columns="days", clock="standard", date="compact"),
    ]
    return [*long, *wide]


LAYOUTS: Sequence[Layout] = _layouts()
