"""Words, numbers and dates of reports in the reader's language; another language is one more catalogue in words/.

English is what stands in the code; a catalogue (a PO file of GNU gettext) holds what it is in another language.
"""

import datetime as dt
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from gettext import c2py
from importlib.resources import files

from babel import Locale
from babel.dates import format_date, format_datetime, format_skeleton
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, get_decimal_symbol, get_group_symbol

from crestfall.errors import InputError

ENGLISH = "en"
MINUS = "−"
_NUMBER = re.compile(r"\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+")
_language: ContextVar[str] = ContextVar("language", default=ENGLISH)


def languages() -> list[str]:
    """
    Return the languages that a report can be written in.

    Returns
    -------
    list of str
        Their codes, sorted.
    """
    names = [entry.name for entry in files(__package__).joinpath("words").iterdir()]
    return sorted([ENGLISH, *(name.removesuffix(".po") for name in names if name.endswith(".po"))])


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """
    Let all words, numbers and dates of the block be those of a language.

    Parameters
    ----------
    language : str
        One of `languages`.

    Raises
    ------
    InputError
        If there is no catalogue of that language.
    """
    check_language(language)
    token = _language.set(language)
    try:
        yield
    finally:
        _language.reset(token)


def check_language(language: str) -> None:
    """
    Raise unless reports can be written in a language.

    Parameters
    ----------
    language : str
        Its code.

    Raises
    ------
    InputError
        If there is no catalogue of that language.
    """
    if language not in languages():
        raise InputError(f"language: {language!r} is not known\n    one of {', '.join(languages())}")


def language_now() -> str:
    """Return the code of the language in force."""
    return _language.get()


def say(text: str, /, **values: object) -> str:
    """
    Return a text in the language in force, with values in its places.

    Parameters
    ----------
    text : str
        The English text; places in braces have names, which a translation keeps: ``"saves {saving} a year"``.
    **values : object
        What stands in the places, as it shall be read: numbers have been through `number` and the like.

    Returns
    -------
    str
        The text; the English one where the catalogue has none.
    """
    found = _translated(text)
    return found.format(**values) if values else found


def later(text: str) -> str:
    """Return a text as it is, and mark it for the catalogues: `say` says it where it is used."""
    return text


def say_many(n: int, one: str, many: str, **values: object) -> str:
    """Return the form of a text that goes with `n` things, which stands in the place ``{n}``."""
    catalogue = _catalogue(_language.get())
    message = None if catalogue is None else catalogue.get((one, many))
    form = one if n == 1 else many
    if catalogue is not None and message is not None and isinstance(message.string, tuple) and all(message.string):
        form = message.string[c2py(catalogue.plural_expr)(n)]
    return form.format(n=number(n), **values)


def number(value: float, decimals: int = 0) -> str:
    """Return a number with thousands apart and a true minus sign.

    >>> number(-1234.56), number(-0.2), number(0.5, 2)
    ('−1,235', '0', '0.50')
    """
    pattern = "#,##0" + ("." + "0" * decimals if decimals else "")
    rounded = round(value, decimals) + 0.0  # minus zero is zero
    return format_decimal(rounded, pattern, locale=_language.get()).replace("-", MINUS)


def percent(share: float, decimals: int = 1) -> str:
    """Return a share of one as a percentage.

    >>> percent(0.1234)
    '12.3 %'
    """
    return f"{number(100 * share, decimals)} %"


def date(day: dt.date) -> str:
    """Return a day as it is written out in the language.

    >>> date(dt.date(2031, 7, 5))
    '5 July 2031'
    """
    pattern = "d MMMM y" if _language.get() == ENGLISH else "long"
    return format_date(day, pattern, locale=_language.get())


def day_of_year(day: dt.date) -> str:
    """Return a day without its year.

    >>> day_of_year(dt.date(2031, 7, 5))
    '5 July'
    """
    if _language.get() == ENGLISH:
        return format_date(day, "d MMMM", locale=ENGLISH)
    return format_skeleton("MMMMd", day, locale=_language.get())


def figures(text: str) -> str:
    """
    Return a text whose numbers, written with a comma between thousands and a point, are as the language has them.

    >>> with speaking("en"):
    ...     figures("1,234.5 kWh")
    '1,234.5 kWh'
    """
    language = _language.get()
    if language == ENGLISH:
        return text
    marks = {",": get_group_symbol(language), ".": get_decimal_symbol(language)}
    return _NUMBER.sub(lambda found: "".join(marks.get(sign, sign) for sign in found.group()), text)


def moment(time: dt.datetime, pattern: str) -> str:
    """Return a time by a pattern of the Unicode CLDR, such as ``EEE dd MMM y HH:mm``."""
    return format_datetime(time, pattern, locale=_language.get())


def months() -> list[str]:
    """Return the short names of the twelve months."""
    return [Locale(_language.get()).months["stand-alone"]["abbreviated"][k] for k in range(1, 13)]


def weekdays() -> list[str]:
    """Return the short names of the days of the week, Monday first."""
    return [Locale(_language.get()).days["stand-alone"]["abbreviated"][k] for k in range(7)]


def _translated(text: str) -> str:
    catalogue = _catalogue(_language.get())
    message = None if catalogue is None else catalogue.get(text)
    found = None if message is None or message.fuzzy else message.string
    return found if isinstance(found, str) and found else text


@cache
def _catalogue(language: str) -> Catalog | None:
    if language == ENGLISH:
        return None
    with files(__package__).joinpath("words", f"{language}.po").open("rb") as file:
        return read_po(file, locale=language)
