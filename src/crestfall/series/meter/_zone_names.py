"""Names of clocks behind times of day, such as CET and CEST: what they mean in the zone of the site."""

import datetime as dt
import zoneinfo

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import clock_of, offset_words
from crestfall.series.meter._record import Notebook

GERMAN = {"MEZ": "CET", "MESZ": "CEST", "OEZ": "EET", "OESZ": "EEST", "WEZ": "WET", "WESZ": "WEST"}
EVERYWHERE = {"UTC": 0}
HALF_YEAR_S = 183 * 86_400


def named_offsets(names: set[str], zone: str, span_s: tuple[int, int], notes: Notebook) -> dict[str, int]:
    """
    Return the UTC offset that each name of a clock stands for.

    Parameters
    ----------
    names : set of str
        The names in a file, at least one.
    zone : str
        Zone of the site.
    span_s : tuple of int
        First and last moment, seconds since 1970.
    notes : Notebook
        Where it is noted.

    Returns
    -------
    dict of str to int
        Offsets [s]; none where one name stands at all stamps, in summer and in winter, for it may be written by habit.

    Raises
    ------
    SeriesError
        If a clock of that zone has no such name.
    """
    known = EVERYWHERE | _names_of(zone, span_s)
    if unknown := sorted(name for name in names if GERMAN.get(name, name) not in known):
        raise SeriesError(
            f"{notes.path}: found '{unknown[0]}' behind a time of day; in {zone} clocks are called"
            f" {', '.join(sorted(known))}\n    check --zone, or say which clock the stamps are of: --clock"
        )
    found = {name: known[GERMAN.get(name, name)] for name in sorted(names)}
    inside = [change for change in clock_of(zone, *span_s).changes if span_s[0] < change.at_s < span_s[1]]
    if len(found) == 1 and inside and not names <= EVERYWHERE.keys():
        notes.found(
            "name of the clock", next(iter(found)), "the same in summer and winter, so it says nothing", "--clock"
        )
        return {}
    words = ", ".join(f"{name} is {offset_words(offset_s)}" for name, offset_s in found.items())
    notes.found("names of the clock", words, f"as in {zone}", "--clock")
    return found


def _names_of(zone: str, span_s: tuple[int, int]) -> dict[str, int]:
    """Return what a zone's clocks are called in and around a span, with their offsets."""
    clock = clock_of(zone, span_s[0] - HALF_YEAR_S, span_s[1] + HALF_YEAR_S)
    if zone not in zoneinfo.available_timezones():
        return {}  # a fixed offset has no name
    moments = [span_s[0], *(change.at_s for change in clock.changes), *(change.at_s - 1 for change in clock.changes)]
    local = [dt.datetime.fromtimestamp(at_s, zoneinfo.ZoneInfo(zone)) for at_s in moments]
    return {at.tzname() or "": int(offset.total_seconds()) for at in local if (offset := at.utcoffset()) is not None}
