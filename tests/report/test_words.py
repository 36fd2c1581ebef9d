"""Words, numbers and dates in the reader's language; forms of other languages are those of the Unicode CLDR."""

import datetime as dt
import re
from functools import cache
from string import Formatter

import pytest
from babel.messages.catalog import Catalog

from brackets import Brackets, said_past, texts_of
from catalogues import catalogue, texts_in_code
from crestfall.errors import InputError
from crestfall.report import _words
from crestfall.report._page import report_html
from crestfall.report._words import date, languages, months, number, say, say_many, speaking, weekdays
from hourly_site import shared_study

said_in_code = cache(texts_in_code)
OTHERS = [code for code in languages() if code != "en"]


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def test_an_unknown_language_is_refused_with_those_that_are_known():
    with pytest.raises(InputError, match="language: 'xx' is not known\n    one of de, en, es, fr"), speaking("xx"):
        pass


@pytest.mark.parametrize(
    ("language", "text"),
    [
        ("en", "−12,345.6"),
        ("de", "−12.345,6"),
        ("fr", "−12\N{NARROW NO-BREAK SPACE}345,6"),
        ("es", "−12.345,6"),
    ],
)
def test_numbers_have_the_marks_of_the_language(language, text):
    with speaking(language):
        assert number(-12345.6, 1) == text


@pytest.mark.parametrize(
    ("language", "text"),
    [("en", "5 July 2031"), ("de", "5. Juli 2031"), ("fr", "5 juillet 2031"), ("es", "5 de julio de 2031")],
)
def test_days_are_written_out_as_in_the_language(language, text):
    with speaking(language):
        assert date(dt.date(2031, 7, 5)) == text


def test_months_and_weekdays_begin_where_the_calendar_does():
    assert (months()[0], months()[-1], weekdays()[0], weekdays()[-1]) == ("Jan", "Dec", "Mon", "Sun")
    with speaking("fr"):
        assert (months()[0], weekdays()[0]) == ("janv.", "lun.")


def test_the_language_ends_with_its_block_even_after_an_error():
    with pytest.raises(ZeroDivisionError), speaking("de"):
        1 / 0  # noqa: B018 -- it is there to fail
    assert number(1234.5, 1) == "1,234.5"


@pytest.mark.parametrize(("language", "of_none"), [("fr", "une"), ("de", "viele")])
def test_plural_follows_the_rule_of_the_language(language, of_none, monkeypatch):
    # CLDR plurals: in French nothing is one thing, in German it is several.
    own = Catalog(locale=language)
    own.add(("{n} rack", "{n} racks"), ("{n} une" if language == "fr" else "{n} eine", "{n} viele"))
    monkeypatch.setattr(_words, "_catalogue", lambda _: own)
    with speaking(language):
        assert say_many(0, "{n} rack", "{n} racks") == f"0 {of_none}"
        assert say_many(2, "{n} rack", "{n} racks") == "2 viele"


def test_a_text_without_a_translation_stays_english(monkeypatch):
    monkeypatch.setattr(_words, "_catalogue", lambda _: Catalog(locale="de"))
    with speaking("de"):
        assert say("saves {saving} a year", saving=number(1234)) == "saves 1.234 a year"


@pytest.mark.parametrize("language", OTHERS)
def test_translations_keep_the_places_of_the_text(language):
    own, wrong = catalogue(language), []
    for message in own:
        strings = message.string if isinstance(message.string, tuple) else (message.string,)
        ids = message.id if isinstance(message.id, tuple) else (message.id,)
        if message.id and any(strings):
            wanted = {frozenset(places(one)) for one in ids}
            wrong += [one for one in strings if frozenset(places(one)) not in wanted]
    assert not wrong


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_of_the_code_is_translated(language):
    own = catalogue(language)
    missing = []
    for message in said_in_code():
        found = own.get(message.id) if message.id else None
        strings = () if found is None else found.string if isinstance(found.string, tuple) else (found.string,)
        if message.id and not (strings and all(strings)):
            missing.append(message.id)
    assert not missing
    assert {message.id for message in own if message.id} == {message.id for message in said_in_code() if message.id}


# --- nothing is left out ----------------------------------------------------------------------------------------------


def test_page_says_nothing_past_the_catalogue(monkeypatch):
    result = shared_study()
    named = {result.inputs.scenario.ask.site.name, result.before.rates.title, str(result.inputs.plant.option)}
    named |= set(result.savings_by_line()["line"]) | {peak.charge for peak in result.peaks(result.headline)}
    named |= set(result.warnings) | {result.hindsight.schedule.note}
    monkeypatch.setattr(_words, "_catalogue", lambda _: Brackets())
    with speaking("de"):
        page = report_html(result, dict.fromkeys(("tariff", "waterfall"), b"<svg/>"))
    page = re.sub(r'<section class="tariff[\s\S]*?</section>', "", page)
    assert said_past(texts_of(page), named) == {}
