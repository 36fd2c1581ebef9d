"""What all pages are made with: their templates, and the words and numbers in them."""

from jinja2 import Environment, PackageLoader, StrictUndefined

from crestfall.report._retold import retold
from crestfall.report._words import date, figures, language_now, number, percent, say, say_many


def environment() -> Environment:
    """
    Return the environment of all pages.

    It escapes whatever it inserts, and stops at what is undefined. Templates say their words by ``say`` and
    ``say_many``, and numbers by ``number``, ``percent`` and ``date``; ``language`` is its code.
    """
    made = Environment(
        loader=PackageLoader("crestfall.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {
        "say": say,
        "say_many": say_many,
        "figures": figures,
        "number": number,
        "percent": percent,
        "retold": retold,
        "date": date,
        "language": language_now(),
    }
    return made
