"""What a single cell can be: a date, a time of day, a number, nothing, or words."""

import re

BLANK = frozenset({"", "-", "--", "n/a", "na", "nan", "null", "none", "#n/a", "#nv", "?"})
_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
MONTHS = {name: number for number, name in enumerate(_NAMES, 1)}

_CLOCK = r"\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:[AaPp]\.?[Mm]\.?)?\s*(?:Z|[+-]\d{2}(?::?\d{2})?|[A-Z]{3,5})?"
_DAY = (
    r"(?:\d{4}[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./ ]\d{1,2}[-./ ](?:\d{4}|\d{2})"
    r"|\d{1,2}[-. /]?[A-Za-z]{3,9}[-. /]?(?:\d{4}|\d{2})|[A-Za-z]{3,9} \d{1,2},? \d{4})"
)
_COMPACT = r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:[ T]?(?:[01]\d|2[0-4])[0-5]\d(?:[0-5]\d)?)?"
_EPOCH = r"1\d{9}|1\d{12}"
_STAMP = re.compile(rf"(?:{_DAY}(?:[T ,]+{_CLOCK})?|{_COMPACT}|{_EPOCH})\Z")
_TIME = re.compile(rf"(?:{_CLOCK})\Z")
GAPS = " '\u2019\u00a0\u202f"  # what parts thousands beside point and comma: blanks and apostrophes of all widths
_NUMBER = re.compile(rf"[+-]?(?:\d{{1,3}}(?:[,.{GAPS}]\d{{3}})+|\d+)?(?:[.,]\d*)?(?:[eE][+-]?\d+)?\Z")
MIDNIGHT = re.compile(r"(?:[T ]+0?0:00(?::00(?:[.,]0+)?)?| 12:00(?::00)? [Aa][Mm])\Z")


def kind_of(cell: str) -> str:
    """
    Return what a cell looks like: d(ate), c(lock), n(umber), e(mpty) or t(ext).

    Parameters
    ----------
    cell : str
        The cell.

    Returns
    -------
    str
        One letter.

    Examples
    --------
    >>> "".join(map(kind_of, ["2025-01-31 00:15", "31.01.2025", "24:00", "1.234,5", "n/a", "kWh"]))
    'ddcnet'
    """
    cell = cell.strip()
    if cell.lower() in BLANK:
        return "e"
    if _STAMP.match(cell):
        return "d"
    if _TIME.match(cell):
        return "c"
    return "n" if any(map(str.isdigit, cell)) and _NUMBER.match(cell) else "t"
