"""Sentences of other rooms in the reader's language: whole, with their numbers."""

import itertools

import pytest

from brackets import Brackets, said_past
from crestfall.report import _words
from crestfall.report._retold import retold
from crestfall.report._words import speaking

PARTS = [
    *(f"{article} rack" for article in ("a fifth", "an 18th", "the 21st", "the 2nd", "the 23rd")),
    *(f"{article} module" for article in ("a second", "an eighth", "the third")),
]
SEVERAL = ["4 racks more", "2 modules more", "the last 4 racks", "the last 2 modules"]
VERBS = itertools.product(("add", "lose"), ("cost", "spare"))
STEPS = [
    sentence
    for (more, cost), (which, s) in itertools.product(
        list(VERBS), [*((one, "s") for one in PARTS), *((several, "") for several in SEVERAL)]
    )
    for sentence in (
        f"{which} {more}{s} 1,900 and {cost}{s} 2,600 EUR a year",
        f"{which} {more}{s} 1,900 EUR a year and {cost}{s} 17,000 EUR",
    )
]
PAYBACK = [
    "a fifth rack brings that to 7.3 years",
    "2 racks more bring that to 7.3 years",
    "an eighth module keeps it from paying back",
    "2 modules more keep it from paying back",
    "without the last 2 modules it takes 7.3 years",
    "without the fourth rack it never pays back",
]
FAILED = [
    "it takes 1 to 8 racks (least_racks and most_racks of the catalogue)",
    "it takes 3 racks (least_racks and most_racks of the catalogue)",
    "it takes 1 module (least_modules and most_modules of the catalogue)",
    "it takes at least 0.5 racks for each module (least_racks_per_module of the catalogue)",
    "it takes an option for at most 2 cabinets (most_cabinets of the catalogue), it needs 3",
    "option.modules: found 0, expected at least 1, for racks without modules have no power",
    "money.loan.years: found 8, expected at most 3 years, the horizon of the study",
    "site.import_limit_kw 60 cannot be kept with 2 racks, 1 module: at 2025-01-08 15:00 CET the site needs 96.4 kW and"
    " the battery leaves at least 12.3 kW too much",
    "in year 3 of life: site.import_limit_kva leaves 94.0 kW, which cannot be kept with no battery: at 2025-01-08 15:00"
    " CET the site needs 96.4 kW, 12.3 kW too much",
    "its worker died 2 times (SIGKILL, perhaps for want of memory)",
    "no schedule keeps the budget of energy",
]
KEYS = ["option.modules", "money.loan.years", "site.import_limit_kw", "site.import_limit_kva", "CET", "SIGKILL"]


@pytest.mark.parametrize("sentences", [STEPS, PAYBACK, FAILED], ids=["steps", "payback", "failed"])
def test_nothing_of_a_sentence_is_left_in_english(sentences, monkeypatch):
    monkeypatch.setattr(_words, "_catalogue", lambda _: Brackets())
    with speaking("de"):
        told = [retold(sentence) for sentence in sentences]
    assert said_past(told, KEYS) == {}


@pytest.mark.parametrize(
    ("sentence", "german"),
    [
        (
            "no battery: no option has an NPV above 0; the best of them, 1 rack, 1 module, would lose 1,234 EUR",
            "keine Batterie: keine Variante hat einen Kapitalwert über 0; die beste, 1 Rack, 1 Modul, würde 1.234 EUR"
            " verlieren",
        ),
        (
            "a fifth rack adds 1,900.5 and costs 2,600 EUR a year",
            "ein 5. Rack bringt 1.900,5 mehr und kostet 2.600 EUR im Jahr",
        ),
        ("what nobody has said costs 1,234 EUR", "what nobody has said costs 1,234 EUR"),
    ],
)
def test_numbers_have_the_marks_of_the_language_however_deep_they_stand(sentence, german):
    with speaking("de"):
        assert retold(sentence) == german


def test_in_english_a_sentence_stays_as_it_is():
    assert retold("a fifth rack adds 1,900 and costs 2,600 EUR a year").startswith("a fifth rack")
