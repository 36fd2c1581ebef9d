"""A page of our own taken apart into elements, for other forms of the same content."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

EMPTY = frozenset({"br", "hr", "img", "input", "link", "meta"})  # elements without an end


@dataclass(slots=True)
class Element:
    """An element of a page.

    Parameters
    ----------
    tag : str
        Its name.
    attributes : dict of str to str
        What it was given.
    children : list of Element or str
        Elements and texts in it, in their order.
    """

    tag: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list["Element | str"] = field(default_factory=list)

    @property
    def classes(self) -> frozenset[str]:
        """Its classes."""
        return frozenset(self.attributes.get("class", "").split())

    @property
    def elements(self) -> list["Element"]:
        """The elements in it."""
        return [one for one in self.children if isinstance(one, Element)]

    @property
    def text(self) -> str:
        """All text in it, as it was written."""
        return "".join(one if isinstance(one, str) else one.text for one in self.children)

    def all(self, *tags: str) -> Iterator["Element"]:
        """Give all elements of some names in it, at any depth, in their order."""
        for one in self.elements:
            if one.tag in tags:
                yield one
            yield from one.all(*tags)


def parsed(html: str) -> Element:
    """
    Return the elements of a page.

    Parameters
    ----------
    html : str
        A page that closes every element it opens.

    Returns
    -------
    Element
        The root, whose children are those of the document.
    """
    parser = _Parser()
    parser.feed(html)
    parser.close()
    return parser.root


class _Parser(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("")
        self._open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        self._open[-1].children.append(element)
        if tag not in EMPTY:
            self._open.append(element)

    def handle_endtag(self, tag: str) -> None:
        if tag not in EMPTY:
            closed = self._open.pop()
            assert closed.tag == tag, f"</{tag}> closes <{closed.tag}>"  # noqa: S101 -- the pages are our own

    def handle_data(self, data: str) -> None:
        self._open[-1].children.append(data)
