"""Green Button files: the NAESB ESPI form of meter data, in XML.

Reading types say what is metered: ``uom`` 72 is Wh and 38 is W, ``flowDirection`` 19 is energy to the grid,
``powerOfTenMultiplier`` scales the values, ``accumulationBehaviour`` 3 is a register that counts on. Starts are seconds
since 1970 in UTC. (NAESB REQ.21, Energy Services Provider Interface; the codes are those of its schema, from memory.)
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from crestfall.errors import SeriesError
from crestfall.series.meter._bytes import Content
from crestfall.series.meter._clock import clock_of
from crestfall.series.meter._record import Notebook, Said, Unit
from crestfall.series.meter._register import of_register
from crestfall.series.meter._rows import Rows, in_kw

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element  # the type only; parsing is defusedxml's

ESPI, ATOM = "{http://naesb.org/espi}", "{http://www.w3.org/2005/Atom}"
MARKS = (b"naesb.org/espi", b"IntervalBlock")
UNITS: dict[str, Unit] = {"72": "Wh", "38": "W"}
TO_GRID, REGISTER = "19", "3"
ESTIMATED = {"8", "9", "14"}  # ReadingQuality: estimated, forecasted, derived; from memory


@dataclass(slots=True)
class _Stream:
    """Readings of one reading type at one usage point."""

    point: str
    kind: dict[str, str]
    start_s: list[int] = field(default_factory=list)
    length_s: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    estimated: list[bool] = field(default_factory=list)


@dataclass(slots=True)
class _Entry:
    """One entry of the feed with the links by which entries find each other."""

    content: "Element"
    own: str
    up: str
    related: set[str]


def is_green_button(content: Content) -> bool:
    """
    Tell whether a file is one of Green Button.

    Parameters
    ----------
    content : Content
        The file.

    Returns
    -------
    bool
        Whether it is XML of ESPI.
    """
    head = content.data[:65536].replace(b"\x00", b"")
    return head.lstrip(b"\xef\xbb\xbf\xff\xfe \r\n\t").startswith(b"<") and any(mark in head for mark in MARKS)


def rows_of_green_button(content: Content, said: Said, notes: Notebook) -> Rows:
    """
    Read a Green Button file.

    Parameters
    ----------
    content : Content
        The file.
    said : Said
        What the user says: the zone, and the usage point where there are several.
    notes : Notebook
        Where findings and questions go.

    Returns
    -------
    Rows
        Readings in UTC and kW.

    Raises
    ------
    SeriesError
        If the XML is broken or dangerous, or holds no electricity.
    UndecidedError
        If zone or usage point are open.
    """
    root = _parsed(content)
    streams = _streams(root, content.name)
    points = sorted({stream.point for stream in streams})
    point = said.point
    if point is not None and point not in points:
        raise SeriesError(
            f"{content.name}: there is no usage point '{point}'\n    set --point to one of: {', '.join(points)}"
        )
    if point is None and len(points) > 1:
        notes.ask("usage point", f"the file holds {len(points)}", *((f"--point '{one}'", "") for one in points))
    point = point or points[0]
    mine = [stream for stream in streams if stream.point == point]
    notes.found("format", "Green Button (NAESB ESPI)", f"{len(streams)} kinds of readings, {len(points)} usage points")
    loads = [stream for stream in mine if stream.kind.get("flowDirection", "1") != TO_GRID]
    exports = [stream for stream in mine if stream.kind.get("flowDirection", "1") == TO_GRID]
    if len({_words(stream) for stream in loads}) > 1 or not loads:
        raise SeriesError(
            f"{content.name}: found {len(loads)} kinds of readings from the grid at one usage point: "
            f"{'; '.join(_words(stream) for stream in loads) or 'none'}\n    expected one in Wh or W"
        )
    notes.found("unit", _words(loads[0]), "uom and powerOfTenMultiplier of its reading type")
    notes.found("a stamp marks", "the start of its interval", "as the standard has it")
    _found_clock(root, notes)
    if said.zone is None:
        notes.ask(
            "zone", "which zone is the site in? Its tariff has local times", ("--zone America/Chicago", "for example")
        )
    notes.settle()
    return _as_rows(content.name, loads, exports, said, notes)


def _as_rows(name: str, loads: list[_Stream], exports: list[_Stream], said: Said, notes: Notebook) -> Rows:
    start_s = np.array([one for stream in loads for one in stream.start_s], np.int64)
    length_s = np.array([one for stream in loads for one in stream.length_s], np.int64)
    step_s = int(np.bincount(length_s).argmax())
    if not step_s or (length_s != step_s).any():
        at = int(np.flatnonzero(length_s != step_s)[0]) if step_s else 0
        raise SeriesError(
            f"{name}: reading {at + 1:,} is {length_s[at]} seconds long, most are {step_s}\n"
            "    expected readings of one length"
        )
    is_register = loads[0].kind.get("accumulationBehaviour") == REGISTER
    load_kw = _powers(loads, 3600 if is_register else step_s)
    export_kw = None
    if exports:
        scale_s = 3600 if is_register else step_s
        given: dict[int, float] = {}
        for stream in exports:
            given |= zip(stream.start_s, _powers([stream], scale_s).tolist(), strict=True)
        export_kw = np.array([given.get(int(moment), np.nan) for moment in start_s])
        notes.found("export", "flow direction 19", "a second kind of readings at the same usage point")
    estimated = np.array([one for stream in loads for one in stream.estimated], bool)
    rows = Rows(
        source=name,
        utc_s=start_s,
        step_s=step_s,
        load_kw=load_kw,
        export_kw=export_kw,
        line=np.arange(1, len(start_s) + 1),
        substituted=estimated if estimated.any() else None,
        clock=clock_of(said.zone or "UTC", int(start_s.min()), int(start_s.max())),
    )
    return of_register(rows, notes) if is_register else rows


def _powers(streams: list[_Stream], step_s: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    parts = []
    for stream in streams:
        values = np.array(stream.value) * 10.0 ** int(stream.kind.get("powerOfTenMultiplier", "0") or 0)
        unit = UNITS[stream.kind.get("uom", "72")]
        parts.append(in_kw(values, unit, step_s / 3600))
    return np.concatenate(parts)


def _parsed(content: Content) -> "Element":
    from xml.etree.ElementTree import ParseError

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        root: Element = fromstring(content.data, forbid_dtd=True)
    except DefusedXmlException:
        raise SeriesError(
            f"{content.name}: the XML declares entities or a document type, which meter data need not\n"
            "    such a file is not opened: it can grow without limit"
        ) from None
    except ParseError as error:
        line, column = error.position
        raise SeriesError(
            f"{content.name} line {line:,}, column {column}: is no XML\n    fetch the file again"
        ) from None
    return root


def _entries(root: "Element") -> list[_Entry]:
    entries = []
    for entry in root.iter(f"{ATOM}entry"):
        links = [(link.get("rel", ""), _tail(link.get("href", ""))) for link in entry.findall(f"{ATOM}link")]
        by = dict(links)
        related = {href for rel, href in links if rel == "related"}
        content = entry.find(f"{ATOM}content")
        for element in [] if content is None else content:
            entries.append(_Entry(element, by.get("self", ""), by.get("up", ""), related))
    return entries


def _tail(href: str) -> str:
    """Return a link without its host and the slash at its end, as some feeds write one and some the other."""
    return href.split("://")[-1].partition("/")[2].rstrip("/") if "://" in href else href.strip("/")


def _streams(root: "Element", name: str) -> list[_Stream]:
    entries = _entries(root)
    kinds = [entry for entry in entries if entry.content.tag == f"{ESPI}ReadingType"]
    meters = [entry for entry in entries if entry.content.tag == f"{ESPI}MeterReading"]
    points = [entry for entry in entries if entry.content.tag == f"{ESPI}UsagePoint"]
    streams: dict[tuple[str, str], _Stream] = {}
    for block in (entry for entry in entries if entry.content.tag == f"{ESPI}IntervalBlock"):
        meter = next(
            (m for m in meters if block.up and (block.up in m.related or block.up.startswith(m.own + "/"))), None
        )
        kind = _kind_of(meter, kinds)
        if kind is None:
            raise SeriesError(
                f"{name}: {len(kinds)} reading types, and blocks that belong to none of them\n"
                "    expected links from blocks by way of their meter reading"
            )
        fields = _fields(kind.content)
        if fields.get("uom", "72") not in UNITS or fields.get("commodity", "1") not in ("0", "1"):
            continue  # gas, water, volts, reactive energy
        point = _point_of(meter, points)
        stream = streams.setdefault((point, kind.own), _Stream(point, fields))
        _take_readings(block.content, stream, name)
    found = [stream for stream in streams.values() if stream.value]
    if not found:
        raise SeriesError(
            f"{name}: holds no readings of electricity in Wh or W\n    expected interval blocks with values"
        )
    return found


def _kind_of(meter: _Entry | None, kinds: list[_Entry]) -> _Entry | None:
    if meter is not None:
        linked = [kind for kind in kinds if kind.own and kind.own in meter.related]
        if linked:
            return linked[0]
    return kinds[0] if len(kinds) == 1 else None


def _point_of(meter: _Entry | None, points: list[_Entry]) -> str:
    if meter is not None:
        for point in points:
            if meter.up and (meter.up in point.related or (point.own and meter.up.startswith(point.own + "/"))):
                return point.own.rpartition("/")[2]
    return points[0].own.rpartition("/")[2] if len(points) == 1 else "the only one"


def _fields(element: "Element") -> dict[str, str]:
    return {child.tag.removeprefix(ESPI): (child.text or "").strip() for child in element}


def _take_readings(block: "Element", stream: _Stream, name: str) -> None:
    for reading in block.iter(f"{ESPI}IntervalReading"):
        start = reading.findtext(f"{ESPI}timePeriod/{ESPI}start")
        length = reading.findtext(f"{ESPI}timePeriod/{ESPI}duration") or stream.kind.get("intervalLength")
        value = reading.findtext(f"{ESPI}value")
        quality = {one.text for one in reading.iter(f"{ESPI}quality")}
        try:
            stream.start_s.append(int(start or ""))
            stream.length_s.append(int(length or ""))
            stream.value.append(float(value) if value else np.nan)
        except ValueError:
            raise SeriesError(
                f"{name}: reading {len(stream.value) + 1:,} has the start '{start}', the duration '{length}'"
                f" and the value '{value}'\n    expected whole numbers"
            ) from None
        stream.estimated.append(bool(quality & ESTIMATED))


def _words(stream: _Stream) -> str:
    ten = int(stream.kind.get("powerOfTenMultiplier", "0") or 0)
    return UNITS[stream.kind.get("uom", "72")] + (f" times 10^{ten}" if ten else "")


def _found_clock(root: "Element", notes: Notebook) -> None:
    offset = next((one.text for one in root.iter(f"{ESPI}tzOffset")), None)
    rule = next((one.text for one in root.iter(f"{ESPI}dstStartRule")), None)
    why = "as the standard has it"
    if offset is not None:
        why += f"; the site's own clock stands {int(offset or 0) / 3600:+g} h from it"
        why += ", and changes in summer" if rule and rule.strip("0fF") else ""
    notes.found("clock of the stamps", "UTC", why)
