"""The page of a study as a PDF: its elements are set by Typst, which comes whole with its package.

There is one source of the content, the page. What stands in it is handed over as strings, never as markup: no name of
a site can become a command. Only fonts that Typst carries are used, and no date is written, so the same page gives the
same bytes on any machine.
"""

import base64
import re
from collections.abc import Iterable, Iterator
from importlib.resources import files
from itertools import groupby, pairwise

from crestfall.report._elements import Element, parsed

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm, ISO 216 and ANSI/ASME Y14.1
MARGINS_MM = (36.0, 62.0)  # both sides together; the height leaves room for heading and caption of a picture
PT_PER_MM = 72 / 25.4
DIGIT_EM = 0.5  # a figure of the text face takes 0.465 of its size
CELL_PT = 8.0  # what a cell has of its own to both sides
SIZES_PT = (9.0, 5.6)  # of tables: the usual one, and the least that can be read
PICTURE_PT = 312.0  # height of a picture; a higher one becomes narrower, but keeps this share of the width
LEAST_WIDTH_FRAC = 0.8
ANSWER_PT = 240.0  # height of the first picture, which belongs on the page of the answer
KEPT_ROWS = 18  # a table with no more stays on one page
LONGEST_EM = 40  # a column of words is not wished wider
ROOMY_FRAC = 0.6  # of what words wish, and figures beside them have their heads in one line

HIDDEN = frozenset({"head", "noscript", "script", "style", "template"})
INLINE = {"strong": "strong", "b": "strong", "em": "emph", "i": "emph", "small": "small"}
PLAIN = frozenset({"a", "abbr", "br", "button", "cite", "code", "span", "sub", "sup", "time", "var"})


def pdf_bytes(html: str, paper: str = "a4") -> bytes:
    """
    Return a page as a PDF.

    Parameters
    ----------
    html : str
        The page of a run, a comparison or a sweep.
    paper : {"a4", "letter"}, default="a4"
        Size of the paper.

    Returns
    -------
    bytes
        The file, the same bytes for the same page.
    """
    import typst  # here: it is large, and few commands need it

    return bytes(typst.compile(typst_source(html, paper).encode(), ignore_system_fonts=True, format="pdf"))


def typst_source(html: str, paper: str = "a4") -> str:
    """
    Return a page as a document for Typst.

    Parameters
    ----------
    html : str
        The page of a run, a comparison or a sweep.
    paper : {"a4", "letter"}, default="a4"
        Size of the paper.

    Returns
    -------
    str
        The document.
    """
    root = parsed(html)
    (document,), (body,) = root.all("html"), root.all("body")
    facts = {
        "paper": {"a4": "a4", "letter": "us-letter"}[paper],
        "title": next(document.all("title")).text,
        "language": document.attributes.get("lang", "en"),
        "site": body.attributes.get("data-site", ""),
        "notice": body.attributes.get("data-notice", ""),
    }
    head = "".join(f"#let {name} = {_string(value)}\n" for name, value in facts.items())
    style = files(__package__).joinpath("templates", "paper.typ").read_text(encoding="utf-8")
    return "\n".join([head, style, *_Setter(paper).blocks(body.children)]) + "\n"


class _Setter:
    """Sets elements on one size of paper."""

    def __init__(self, paper: str) -> None:
        width, height = (side - margin for side, margin in zip(PAPERS[paper], MARGINS_MM, strict=True))
        self.width_pt, self.height_pt = width * PT_PER_MM, height * PT_PER_MM
        self.is_at_answer = True

    def blocks(self, children: Iterable[Element | str]) -> list[str]:
        """Return the blocks that some nodes are made into; texts between elements are paragraphs."""
        return _kept_together(self._each(children))

    def _each(self, children: Iterable[Element | str]) -> Iterator[str]:
        for is_text, nodes in groupby(children, _is_inline):
            if is_text:
                if text := _inline(list(nodes)):
                    yield f"#par[{text}]"
            else:
                for one in nodes:
                    assert isinstance(one, Element)  # noqa: S101 -- texts are inline
                    yield from self._block(one)

    def _block(self, element: Element) -> Iterator[str]:
        tag, classes = element.tag, element.classes
        if tag in HIDDEN or "screen-only" in classes:
            return
        if tag in ("h1", "h2", "h3"):
            yield _heading(element)
        elif tag == "p" and not classes & {"flag", "note"}:
            if text := _inline(element.children):
                yield f"#par[#quiet[{text}]]" if "quiet" in classes else f"#par[{text}]"
        elif tag == "figure":
            yield from self._picture(element)
        elif tag == "table":
            yield from self._table(element)
        elif tag in ("ul", "ol"):
            items = "".join(f"[{self._inside(one)}]," for one in element.elements)
            yield f"#{'list' if tag == 'ul' else 'enum'}({items})"
        elif tag == "dl":
            yield from _pairs(element)
        elif tag == "pre":
            yield f"#columns(2, raw({_string(element.text)}, block: true))"
        elif "flag" in classes:
            yield f"#flag[{_inline(element.children)}]"
        elif tag == "summary":
            yield f"#par[#strong[{_inline(element.children)}]]"
        elif "note" in classes:
            yield f"#note[{self._inside(element)}]"
        elif tag == "footer":
            yield f"#line(length: 100%, stroke: 0.5pt + line-ink)\n#quiet[{self._inside(element)}]"
        else:
            yield from self.blocks(element.children)

    def _inside(self, element: Element) -> str:
        return "".join(self.blocks(element.children))

    def _picture(self, element: Element) -> Iterator[str]:
        parts = {one.tag: one for one in element.elements}
        image = next(element.all("img"), None)
        if image is None:
            yield from self.blocks(element.children)
            return
        heads = [parts[tag] for tag in ("h2", "h3") if tag in parts]
        heading = f"heading: [{_heading(heads[0])}], " if heads else ""
        caption = f"caption: [{_inline(parts['figcaption'].children)}], " if "figcaption" in parts else ""
        yield f"#picture({heading}{caption}align(center, {self._image(image)}))"

    def _image(self, image: Element) -> str:
        kind, _, data = image.attributes["src"].partition(",")
        assert kind == "data:image/svg+xml;base64"  # noqa: S101 -- the pages are our own
        svg = base64.b64decode(data).decode()
        width, height = _sides(svg)
        wished = max(min(self.width_pt, PICTURE_PT * width / height), LEAST_WIDTH_FRAC * self.width_pt)
        if self.is_at_answer:
            wished, self.is_at_answer = min(self.width_pt, ANSWER_PT * width / height), False
        shown = min(wished, self.height_pt * width / height)
        alt = _string(image.attributes.get("alt", ""))
        return f'image(bytes({_string(svg)}), format: "svg", width: {shown:.2f}pt, alt: {alt})'

    def _table(self, element: Element) -> Iterator[str]:
        head = [row for part in element.elements if part.tag == "thead" for row in part.all("tr")]
        body = [row for row in element.all("tr") if row not in head]
        if not body:
            return
        columns = _Columns.of(head, body)
        for group in columns.groups(self.width_pt):
            yield _rows(head, body, columns, group, self.width_pt)


class _Columns:
    """How wide the columns of a table want to be, and at least must be, in widths of a figure."""

    def __init__(self, wanted: list[float], least: list[float], is_number: list[bool]) -> None:
        self.wanted, self.least, self.is_number = wanted, least, is_number

    @classmethod
    def of(cls, head: list[Element], body: list[Element]) -> "_Columns":
        """Return them for a table; what spans several columns asks for nothing."""
        count = max(len(row.elements) for row in (*head, *body))
        wanted, least, is_number = [0.0] * count, [2.0] * count, [True] * count
        for row in (*head, *body):
            if any("colspan" in one.attributes for one in row.elements):
                continue
            for at, cell in enumerate(row.elements):
                text = " ".join(cell.text.split())
                word = max(map(len, text.split()), default=0)
                is_number[at] &= "n" in cell.classes or not text
                keeps_together = "n" in cell.classes and row not in head
                least[at] = max(least[at], len(text) if keeps_together else word)
                wanted[at] = max(wanted[at], least[at], min(len(text), LONGEST_EM) if not keeps_together else 0)
        return cls(wanted, least, is_number)

    def size_pt(self, group: list[int], width_pt: float) -> float:
        """Return the size of text at which some columns fit side by side."""
        room = width_pt - CELL_PT * len(group)
        return room / (DIGIT_EM * sum(self.least[at] for at in group))

    def groups(self, width_pt: float) -> list[list[int]]:
        """Return the columns that stand side by side; those that find no room follow below, with the first again."""
        groups: list[list[int]] = []
        rest = list(range(1, len(self.least)))
        while rest or not groups:
            group = [0]
            while rest and (len(group) == 1 or self.size_pt([*group, rest[0]], width_pt) >= SIZES_PT[1]):
                group.append(rest.pop(0))
            groups.append(group)
        return groups

    def widths(self, group: list[int], size_pt: float, width_pt: float) -> str:
        """Return the widths for Typst: by wish where all wishes fit, else words take what figures leave."""

        def pt(wishes: list[float], of: list[int]) -> float:
            return sum(wishes[at] * DIGIT_EM * size_pt + CELL_PT for at in of)

        numbers, words = ([at for at in group if self.is_number[at] is wanted] for wanted in (True, False))
        fits = pt(self.wanted, group) <= width_pt
        if fits or not words:
            shares = self.wanted if fits else self.least
            return "".join(f"{pt(shares, [at]):.2f}fr, " for at in group)
        roomy = pt(self.wanted, numbers) + max(pt(self.least, words), ROOMY_FRAC * pt(self.wanted, words)) <= width_pt
        fixed = self.wanted if roomy else self.least
        return "".join(
            f"{pt(fixed, [at]):.2f}pt, " if at in numbers else f"{max(self.wanted[at], self.least[at]):.2f}fr, "
            for at in group
        )


def _kept_together(blocks: Iterable[str]) -> list[str]:
    """Return blocks of which a paragraph stays on the page of the table or picture that it introduces."""
    found = list(blocks)
    for at, (one, after) in enumerate(pairwise(found)):
        if one.startswith("#par[") and after.startswith(("#rows(", "#picture(align")):
            found[at] = f"#block(sticky: true)[{one}]"
    return found


def _rows(head: list[Element], body: list[Element], columns: _Columns, group: list[int], width_pt: float) -> str:
    """Return some columns of a table."""
    size_pt = min(SIZES_PT[0], columns.size_pt(group, width_pt))
    widths = columns.widths(group, size_pt, width_pt)
    heads = "".join(_cell(row.elements[at]) for row in head for at in group if at < len(row.elements))
    parts = []
    for row in body:
        is_total = row.classes & {"total", "best"}
        rule = f"table.hline(stroke: {'0.9pt + ink' if is_total else '0.4pt + line-ink'}), "
        spans = any("colspan" in one.attributes for one in row.elements)
        cells = row.elements if spans else [row.elements[at] for at in group if at < len(row.elements)]
        parts.append(rule + "".join(_cell(one, is_bold=bool(is_total)) for one in cells))
    whole = "true" if len(body) <= KEPT_ROWS else "false"
    return f"#rows(whole: {whole}, size: {size_pt:.2f}pt, columns: ({widths}), head: ({heads}), {''.join(parts)})"


def _cell(cell: Element, *, is_bold: bool = False) -> str:
    text = _inline(cell.children)
    text = f"#strong[{text}]" if is_bold and text else text
    align = "right" if "n" in cell.classes else "left"
    span = f", colspan: {int(cell.attributes['colspan'])}" if "colspan" in cell.attributes else ""
    return f"table.cell(align: {align}{span})[{text}], "


def _pairs(element: Element) -> Iterator[str]:
    """Give a list of names and what they stand for."""
    names, values = list(element.all("dt")), list(element.all("dd"))
    if names:
        pairs = zip(names, values, strict=True)
        shown = "".join(f"([{_inline(name.children)}], {_value_and_detail(value)}), " for name, value in pairs)
        yield f"#{'answers' if 'answer' in element.classes else 'terms-list'}({shown})"


def _value_and_detail(value: Element) -> str:
    """Return a value and, apart, what is written small beside it."""
    is_small = [isinstance(one, Element) and one.tag == "small" for one in value.children]
    plain, small = (
        _inline([one for one, is_it in zip(value.children, is_small, strict=True) if is_it is wanted])
        for wanted in (False, True)
    )
    return f"[{plain}], [{small}]"


def _heading(element: Element) -> str:
    return f"#heading(level: {element.tag[1]})[{_inline(element.children)}]"


def _is_inline(node: Element | str) -> bool:
    return isinstance(node, str) or node.tag in INLINE or node.tag in PLAIN


def _inline(children: list[Element | str]) -> str:
    """Return texts with their emphasis; white space between them is one space, and none at the ends."""
    runs = [(re.sub(r"[ \t\r\n\f]+", " ", text), style) for text, style in _runs(children, ())]
    found, ends_open = [], False  # whether a space may follow
    last = max((at for at, (text, _) in enumerate(runs) if text.strip(" ")), default=-1)
    for at, (text, style) in enumerate(runs[: last + 1]):
        text = text if ends_open else text.lstrip(" ")
        text = text.rstrip(" ") if at == last else text
        if not text:
            continue
        ends_open = not text.endswith(" ")
        shown = f"#{_string(text)};"
        for name in reversed(style):
            shown = f"#{name}[{shown}]"
        found.append(shown)
    return "".join(found)


def _runs(children: list[Element | str], style: tuple[str, ...]) -> Iterator[tuple[str, tuple[str, ...]]]:
    for one in children:
        if isinstance(one, str):
            yield one, style
        elif one.tag not in HIDDEN and "screen-only" not in one.classes:
            if one.tag in ("br", "small"):
                yield " ", style
            yield from _runs(one.children, (*style, INLINE[one.tag]) if one.tag in INLINE else style)


def _string(text: str) -> str:
    r"""Return a text as a string literal; control characters, which are no text, are left out.

    >>> print(_string('a "b" #c'))
    "a \"b\" #c"
    """
    shown = re.sub(r"[\x00-\x08\x0b-\x1f\x7f]", "", text)
    return '"' + shown.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _sides(svg: str) -> tuple[float, float]:
    """Return width and height of a picture, in units of its own."""
    found = re.search(r'viewBox="[\d.]+ [\d.]+ ([\d.]+) ([\d.]+)"', svg)
    assert found is not None  # noqa: S101 -- the pictures are our own
    return float(found[1]), float(found[2])
