"""The texts of the reports as they stand in the code, and their catalogues.

    python tests/catalogues.py [LANGUAGE ...]

brings the catalogues of the languages, all that there are by default, up to date with the code: new texts come in
without a translation, and what is no longer said goes. A language that has none yet gets one.
"""

import datetime as dt
import sys
from pathlib import Path

from babel import Locale
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

SOURCE = Path(__file__).parents[1] / "src" / "crestfall"
WORDS = SOURCE / "report" / "words"
METHODS = [("**.py", "python"), ("**/templates/**.html", "jinja2")]
NO_DAY = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)  # the same text gives the same file
KEYWORDS = {"say": None, "later": None, "say_many": (2, 3)}


def texts_in_code() -> Catalog:
    """Return all texts that the code and the templates say."""
    found = Catalog(charset="utf-8")
    for _, _, text, _, _ in extract_from_dir(SOURCE, METHODS, {"**.html": {"trimmed": "true"}}, KEYWORDS):
        found.add(text)
    return found


def catalogue(language: str) -> Catalog:
    """Return the catalogue of a language, an empty one where there is none."""
    path = WORDS / f"{language}.po"
    if not path.exists():
        return Catalog(locale=Locale(language), charset="utf-8")
    with path.open("rb") as file:
        return read_po(file, locale=language)


def update(language: str) -> None:
    """Write the catalogue of a language anew."""
    own = catalogue(language)
    own.update(texts_in_code(), no_fuzzy_matching=True)
    own.obsolete.clear()
    own.fuzzy = False
    own.header_comment = (
        f"# Crestfall's reports in {Locale(language).english_name}; tests/catalogues.py keeps it up to date."
    )
    own.project, own.version, own.msgid_bugs_address = "Crestfall", "1", "the place where the code is kept"
    own.last_translator = own.language_team = "the Crestfall authors"
    own.creation_date = own.revision_date = NO_DAY
    with (WORDS / f"{language}.po").open("wb") as file:
        write_po(file, own, width=120, omit_header=False, sort_output=True, ignore_obsolete=True)


if __name__ == "__main__":
    for name in sys.argv[1:] or sorted(path.stem for path in WORDS.glob("*.po")):
        update(name)
