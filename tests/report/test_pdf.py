"""The PDF says what the page says, on paper of two sizes; nothing that a user named becomes a command."""

import base64
import io
import re

import pytest
from pypdf import PdfReader

from crestfall.report._elements import parsed
from crestfall.report._forms import write_forms
from crestfall.report._pdf import PAPERS, pdf_bytes, typst_source
from hourly_site import HOSTILE_NAME, shared_study

NAMES = [
    "<script>alert(1)</script>",
    '#import "x"',
    "$x$ *b* @a _c_ `d` //e",
    '"; #panic() "',
    "\\u{41} \\",
    "]#[<l>",
    "= h",
]


def read(content: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(content))


def squeezed(text: str) -> str:
    """Return a text without the breaks that lines and columns put into it."""
    return re.sub(r"\s+", "", text)


def page_of(body: str, *, site: str = "Tidewell", notice: str = "") -> str:
    shown = site.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    return (
        f'<!doctype html><html lang="en"><head><title>{shown}</title></head>'
        f'<body data-site="{shown}" data-notice="{notice}">{body}</body></html>'
    )


def picture(width: float, height: float) -> str:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"><rect width="9" height="9"/></svg>'
    data = base64.b64encode(svg.encode()).decode()
    return f'<figure><h2>A</h2><img alt="a" src="data:image/svg+xml;base64,{data}"><figcaption>b</figcaption></figure>'


@pytest.fixture(scope="module")
def html(tmp_path_factory) -> str:
    """The page of the joinery whose name is a script."""
    folder = tmp_path_factory.mktemp("page")
    write_forms(shared_study(HOSTILE_NAME), folder, ["page"])
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module", params=PAPERS)
def paper(request, html):
    """The size, the PDF of that page, and the texts of its pages."""
    reader = read(pdf_bytes(html, request.param))
    return request.param, reader, [page.extract_text() for page in reader.pages]


def test_pages_have_the_size_asked_for(paper):
    size, reader, _ = paper
    for page in reader.pages:
        sides_mm = [float(side) * 25.4 / 72 for side in page.mediabox[2:]]
        assert sides_mm == pytest.approx(PAPERS[size], abs=0.1)


def test_every_page_carries_the_name_of_the_site_and_its_number(paper):
    _, _, texts = paper
    assert len(texts) > 3
    for number, text in enumerate(texts, start=1):
        assert text.startswith("<script>alert(1)</script>")
        assert f"{number} / {len(texts)}" in text


def test_all_that_the_page_says_stands_in_the_pdf(paper, html):
    """But for what is for screens only."""
    _, _, texts = paper
    pages = [text.removeprefix("<script>alert(1)</script>") for text in texts]
    text = squeezed(re.sub(r"\d+ / \d+", "", "".join(pages)))
    (body,) = parsed(html).all("body")
    tags = ("h1", "h2", "h3", "p", "td", "th", "dt", "dd", "figcaption", "li")
    left_out = {id(one) for part in body.all("section") if "screen-only" in part.classes for one in part.all(*tags)}
    said = [one.text for one in body.all(*tags) if id(one) not in left_out]
    assert len(said) > 100
    assert [one for one in said if squeezed(one) not in text] == []
    assert "installation_cost:1500" in text


def test_title_language_and_headings_are_in_the_file(html):
    reader = read(pdf_bytes(html))
    assert reader.metadata.title == "<script>alert(1)</script>: 2 racks, 1 module"
    assert reader.metadata.creation_date is None
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert reader.outline[0].title == "<script>alert(1)</script>: 2 racks, 1 module"
    assert "The bill by line" in [one.title for one in reader.outline[1] if not isinstance(one, list)]


def test_the_same_page_gives_the_same_bytes(html):
    assert pdf_bytes(html) == pdf_bytes(html)


def test_days_are_one_sentence(paper):
    text = " ".join("".join(paper[2]).split())
    assert "On a screen, the page shows any single day of the year" in text
    assert "arrow keys" not in text


@pytest.mark.parametrize("name", NAMES)
def test_names_are_text(name):
    shown = name.replace("&", "&amp;").replace("<", "&lt;")
    body = (
        f"<h1>{shown}</h1><p>a <em>{shown}</em></p><table><tr><th>{shown}</th><td>{shown}</td></tr></table>"
        f"<dl><dt>{shown}</dt><dd>{shown}</dd></dl><ul><li>{shown}</li></ul><pre>{shown}</pre>"
    )
    reader = read(pdf_bytes(page_of(body, site=name, notice="not metered")))
    text = squeezed("".join(page.extract_text() for page in reader.pages))
    assert text.count(squeezed(name)) == 9
    assert reader.metadata.title == name


def test_a_notice_stands_on_every_page():
    body = "<h2>A</h2>" + "<p>word</p>" * 200
    reader = read(pdf_bytes(page_of(body, notice="not metered")))
    assert len(reader.pages) > 2
    assert all("not metered" in page.extract_text() for page in reader.pages)
    assert not any("not metered" in page.extract_text() for page in read(pdf_bytes(page_of(body))).pages)


@pytest.mark.parametrize("size", PAPERS)
@pytest.mark.parametrize(("width", "height"), [(100, 1000), (1000, 100), (100, 100)])
def test_no_picture_is_cut(size, width, height):
    """With heading and caption it stays on one page, within its margins: none is pushed to a page it does not fit."""
    html = page_of(picture(width, height) * 3)
    shown_pt = [float(one) for one in re.findall(r'svg", width: ([\d.]+)pt', typst_source(html, size))]
    room_pt = [(side - margin) * 72 / 25.4 for side, margin in zip(PAPERS[size], (36, 44), strict=True)]
    assert len(shown_pt) == 3
    assert max(shown_pt) <= room_pt[0] + 0.01
    assert max(shown_pt) * height / width <= room_pt[1] - 40  # heading and caption
    texts = [page.extract_text() for page in read(pdf_bytes(html, size)).pages]
    assert all(text.count("A") == text.count("b") for text in texts)
    assert sum(text.count("A") for text in texts) == 3
    if height > width:
        assert len(texts) == 3


def test_a_table_too_wide_goes_on_below_with_its_first_column_again():
    head = "".join(f'<th class="n">head{at}</th>' for at in range(30))
    row = "".join(f'<td class="n">{1000000 + at}</td>' for at in range(30))
    html = page_of(f"<table><thead><tr>{head}</tr></thead><tbody>{f'<tr>{row}</tr>' * 3}</tbody></table>")
    text = "".join(page.extract_text() for page in read(pdf_bytes(html)).pages)
    assert all(text.count(str(1000000 + at)) == 3 for at in range(1, 30))
    assert text.count("1000000") == 6
    assert min(map(float, re.findall(r"rows\(whole: \w+, size: ([\d.]+)pt", typst_source(html)))) >= 5.6


def test_heads_of_a_long_table_are_on_each_of_its_pages():
    rows = '<tr><td>word</td><td class="n">1</td></tr>' * 150
    html = page_of(f"<table><thead><tr><th>What</th><th>Much</th></tr></thead><tbody>{rows}</tbody></table>")
    pages = read(pdf_bytes(html)).pages
    assert len(pages) > 2
    assert all("What" in page.extract_text() for page in pages)
