"""A language in which every text stands in brackets, so that what is said past the catalogues stands outside them."""

import html
import re
from collections.abc import Iterable

from babel.messages.catalog import Message


class Brackets:
    """A catalogue that puts every text in brackets."""

    plural_expr = "(n != 1)"

    def get(self, text):
        wrapped = tuple(f"⟦{one}⟧" for one in text) if isinstance(text, tuple) else f"⟦{text}⟧"
        return Message(text, wrapped)


# Units and codes, what users name (the site, the tariff and its clauses), and the names of files and of the program.
NOT_SAID = re.compile(
    r"\w+\.(?:csv|yaml)|\b(?:k?Wh?|MWh|kVA|EUR|SHA|A|h|V|kg|csv|yaml|Crestfall|Europe|UTC|Joinery|Harbour|Weekdays?|working)\b"
)


def unsaid(text: str) -> str:
    """Return what stands outside all brackets."""
    before = ""
    while before != text:
        text, before = re.sub(r"⟦[^⟦⟧]*⟧", "", text), text
    return text


def texts_of(page: str) -> list[str]:
    """Return what is read on a page or read out, but for its head, its first heading and what is code."""
    page = re.sub(r"<(script|style|pre|code|title|h1)\b[\s\S]*?</\1>", "", page)
    texts = re.findall(r">([^<>]+)<", page) + re.findall(r'(?:alt|aria-label)="([^"]+)"', page)
    return [html.unescape(text) for text in texts]


def said_past(texts: Iterable[str], named: Iterable[str]) -> dict[str, str]:
    """Return the texts with words outside all brackets that nobody has named, and those words."""
    left = {text: unsaid(text) for text in texts}
    for name in sorted(named, key=len, reverse=True):
        left = {text: rest.replace(name, "") for text, rest in left.items()}
    return {text: rest for text, rest in left.items() if re.search(r"[A-Za-z]{3}", NOT_SAID.sub("", rest))}
