"""The sheet's two files: valid, fit to be read aloud, the same every time; and no user's text is markup."""

from __future__ import annotations

import io
import itertools
import json
import re
from pathlib import Path
from typing import Any

import html5lib
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hand_back_help import FOUND, JOB, REPAIRED, UNREADY, make_job
from rampguard.cli import main
from rampguard.handback import commands
from rampguard.handback.document import Bullets, Facts, Para, Section, Sheet, Table
from rampguard.handback.errors import HandBackError
from rampguard.handback.html import as_html
from rampguard.handback.material import Wanted, gather
from rampguard.handback.pdf import UNKNOWN, as_pdf, drawable
from rampguard.handback.told import told

HTML = "{http://www.w3.org/1999/xhtml}"
PAGE_CSS = Path(commands.__file__).with_name("page.css")
TEXTS = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Cn", "Co", "Zl", "Zp"), max_codepoint=0xFFFF), max_size=60
)
MARKED = st.text(st.sampled_from("ab ÄЖΩµ#$*_`<>&\"'[]{}()\\/@~=+-^%.,:;|!?0123"), min_size=1, max_size=40)
"""What is markup somewhere, between letters of three scripts."""


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Sheet:
    picture = '[[picture]]\nfile = "pictures/one.png"\nsays = "the board & its <heat sink>"\n'
    job = make_job(tmp_path_factory.mktemp("job"), JOB + FOUND + REPAIRED + picture)
    from PIL import Image

    (job / "pictures").mkdir()
    Image.new("RGB", (40, 20), "grey").save(job / "pictures" / "one.png")
    return told(gather(job, Wanted()), draft=False)


@pytest.fixture(scope="module")
def page(sheet: Sheet) -> bytes:
    return as_html(sheet)


@pytest.fixture(scope="module")
def pdf(sheet: Sheet) -> bytes:
    return as_pdf(sheet)


def parsed(page: bytes) -> Any:
    """The page as html5lib reads it, which raises at the first error (HTML's own parsing algorithm)."""
    return html5lib.HTMLParser(strict=True).parse(page.decode())


def one_text_sheet(text: str) -> Sheet:
    """A sheet that holds one text wherever a text may stand."""
    blocks = (
        *(Para(text), Para(text, loud=True), Bullets((text,)), Facts(((text, text),))),
        Table(text, (text, "b"), ((text, text),), wide=(1,)),
    )
    section = Section("key", text, blocks)
    return Sheet(text, text, "en", 0, "DRAFT", (section,), text, (section,), text, (text,))


# -- HTML ------------------------------------------------------------------------------------------------------------


def test_the_page_is_html_without_an_error_and_needs_nothing_else(page: bytes) -> None:
    tree = parsed(page)
    assert tree.get("lang") == "en"
    assert tree.find(f"{HTML}head/{HTML}title").text == "Repair sheet 2026-014: shelf amplifier, 2 x 60 W, 2026-03-05"
    assert len(list(tree.iter(f"{HTML}h1"))) == 1
    assert [len(list(tree.iter(HTML + name))) for name in ("header", "main", "footer", "script", "link")] == [
        1,
        1,
        1,
        0,
        0,
    ]
    sources = [value for one in tree.iter() for key, value in one.items() if key.rpartition("}")[2] in ("src", "href")]
    assert sources
    assert all(value.startswith(("data:image/", "#")) for value in sources)
    assert b"@import" not in page
    assert not re.findall(rb"url\((?!#)", page)


def test_headings_go_down_by_one_and_every_name_is_there_once(page: bytes) -> None:
    tree = parsed(page)
    levels = [int(one.tag[-1]) for one in tree.iter() if re.fullmatch(rf"{HTML}h[1-6]", str(one.tag))]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    names = [one.get("id") for one in tree.iter() if one.get("id")]
    assert len(names) == len(set(names))
    pointed = {
        name
        for one in tree.iter()
        for key in ("aria-labelledby", "aria-describedby")
        for name in (one.get(key) or "").split()
    }
    assert pointed <= set(names)
    inside = set(re.findall(r'(?:url\(|href=")#([^)"]+)', page.decode()))
    assert inside
    assert inside <= set(names)


def test_tables_have_captions_and_scopes_and_pictures_say_what_they_show(page: bytes) -> None:
    tree = parsed(page)
    tables = list(tree.iter(f"{HTML}table"))
    assert len(tables) >= 6
    for table in tables:
        assert table[0].tag == f"{HTML}caption"
        assert all(one.get("scope") in ("col", "row") for one in table.iter(f"{HTML}th"))
        assert all(row[0].get("scope") == "row" for row in table.iter(f"{HTML}tr") if row[0].get("scope") != "col")
    [svg] = tree.iter("{http://www.w3.org/2000/svg}svg")
    assert svg.get("role") == "img"
    assert [one.tag.rpartition("}")[2] for one in svg[:2]] == ["title", "desc"]
    assert "tripped at 4.49 V" in svg[1].text
    [image] = tree.iter(f"{HTML}img")
    assert image.get("alt") == "the board & its <heat sink>"


@given(text=TEXTS)
@settings(max_examples=60, deadline=None)
def test_whatever_is_typed_is_text_on_the_page(text: str) -> None:
    page = as_html(one_text_sheet(text))
    tree = parsed(page)
    body = tree.find(f"{HTML}body")
    assert not [one.tag for one in tree.iter() if str(one.tag).rpartition("}")[2] in ("script", "b", "i", "a", "img")]
    for name in ("h1", "caption", "li", "dd", "dt", "td"):
        found = next(body.iter(HTML + name))
        assert "".join(found.itertext()) == _on_a_page(text), name


def _on_a_page(text: str) -> str:
    """What a page cannot hold is shown as unknown."""
    return "".join(UNKNOWN if 0xFDD0 <= ord(c) <= 0xFDEF or ord(c) > 0xFFFD else c for c in text)


def test_control_characters_do_not_reach_the_page() -> None:
    page = as_html(one_text_sheet("a\x00b\x07c\ud800d\ufdd0e"))
    assert "".join(next(parsed(page).iter(f"{HTML}dd")).itertext()) == "a\ufffdb\ufffdc\ufffdd\ufffde"


def test_text_stands_out_from_its_ground() -> None:
    """WCAG 2.1, 1.4.3: 4.5 to one; contrast as defined there, by which #767676 on white has 4.54 (from memory)."""
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    css = PAGE_CSS.read_text(encoding="utf-8")
    inks = set(re.findall(r"(?<![-\w])color: (#\w+)", css))
    grounds = set(re.findall(r"background: (#\w+)", css))
    assert {"#111", "#333"} <= inks
    assert {"#fff", "#ececec"} == grounds
    assert min(_contrast(ink, ground) for ink in inks for ground in grounds) >= 4.5


def _contrast(ink: str, ground: str) -> float:
    dark, light = sorted((_luminance(ink), _luminance(ground)))
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    parts = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# -- PDF -------------------------------------------------------------------------------------------------------------


def test_the_pdf_is_tagged_named_and_dated_by_the_job(pdf: bytes) -> None:
    read = pypdf.PdfReader(io.BytesIO(pdf), strict=True)
    root = read.root_object
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert read.metadata is not None
    assert read.metadata.title == "Repair sheet 2026-014: shelf amplifier, 2 x 60 W, 2026-03-05"
    assert str(read.metadata.creation_date).startswith("2026-03-05 12:00:00")
    xmp = root["/Metadata"].get_data()
    assert re.search(rb"pdfuaid:part[>=\"]*1", xmp)
    kinds = _kinds(root["/StructTreeRoot"].get_object())
    assert {"/H1", "/H2", "/H3", "/P", "/L", "/Table", "/TH", "/TD", "/Figure", "/Caption"} <= set(kinds)
    assert kinds.count("/H1") == 1


def test_every_figure_of_the_pdf_says_what_it_shows(pdf: bytes) -> None:
    root = pypdf.PdfReader(io.BytesIO(pdf)).root_object["/StructTreeRoot"].get_object()
    says = [str(one["/Alt"]) for one in _elements(root) if one.get("/S") == "/Figure" and "/Alt" in one]
    assert any("tripped at 4.49 V" in text for text in says)
    assert "the board & its <heat sink>" in says


def test_the_fonts_are_inside_the_pdf(pdf: bytes) -> None:
    fonts = [
        font.get_object()
        for page in pypdf.PdfReader(io.BytesIO(pdf)).pages
        for font in page["/Resources"].get("/Font", {}).values()
    ]
    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(inner["/FontDescriptor"])
        assert "/ToUnicode" in font


def test_the_first_page_holds_all_that_the_customer_reads(sheet: Sheet, pdf: bytes) -> None:
    first, second, *_ = [_plain(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    assert all(_plain(section.heading) in first for section in sheet.for_customer)
    assert _plain("the program that recorded it is not a safety device.") in first
    assert _plain(sheet.detail) in second


def test_the_same_sheet_gives_the_same_bytes(sheet: Sheet, pdf: bytes, page: bytes) -> None:
    assert as_pdf(sheet) == pdf
    assert as_html(sheet) == page


def test_a_draft_says_so_on_every_page(tmp_path: Path) -> None:
    found = gather(make_job(tmp_path, UNREADY), Wanted())
    draft = told(found, draft=True)
    pages = pypdf.PdfReader(io.BytesIO(as_pdf(draft))).pages
    assert len(pages) >= 2
    assert all("DRAFT, not to be handed out" in page.extract_text() for page in pages)
    assert "a power-up after the repair" in pages[0].extract_text()
    text = as_html(draft).decode()
    assert '@top-center { content: "DRAFT, not to be handed out"' in text
    assert '<div class="draft"><p>DRAFT, not to be handed out</p>' in text


@given(text=MARKED)
@settings(max_examples=12, deadline=None)
def test_whatever_is_typed_is_text_in_the_pdf(text: str) -> None:
    pages = pypdf.PdfReader(io.BytesIO(as_pdf(one_text_sheet(text)))).pages
    whole = _plain("".join(page.extract_text() for page in pages))
    assert whole.count(_plain(text)) >= 10


def test_what_the_fonts_have_not_is_shown_as_unknown_and_long_words_may_break() -> None:
    assert drawable("ab\u4e2d\U0001f50a c\nd") == f"ab{UNKNOWN}{UNKNOWN} c d"
    assert drawable("µ Ω ± − …") == "µ Ω ± − …"
    assert drawable("x" * 60).count("\u200b") == 2
    assert drawable("-".join(["x" * 20] * 5)).count("\u200b") == 0
    assert drawable("x" * 60).replace("\u200b", "") == "x" * 60
    assert as_pdf(one_text_sheet("\u4e2d\U0001f50a\u0007\ud800")).startswith(b"%PDF-1.7")


def _plain(text: str) -> str:
    """Without white space and places to break, which are where the lines end."""
    return re.sub(r"[\s\u200b]", "", text)


def _elements(node: Any) -> list[Any]:
    kids = node.get("/K", [])
    found = []
    for kid in kids if isinstance(kids, list) else [kids]:
        kid = kid.get_object()
        if isinstance(kid, dict) and "/S" in kid:
            found += [kid, *_elements(kid)]
    return found


def _kinds(node: Any) -> list[str]:
    return [str(one["/S"]) for one in _elements(node)]


# -- the command -----------------------------------------------------------------------------------------------------


def test_the_command_writes_both_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = make_job(tmp_path / "job")
    assert main(["hand-back", str(job), "--json"]) == 0
    message = json.loads(capsys.readouterr().out)
    assert message == {
        "format": 1,
        "html": str(job / "hand-back" / "2026-014.html"),
        "pdf": str(job / "hand-back" / "2026-014.pdf"),
        "draft": False,
        "missing": [],
    }
    assert sorted(path.name for path in (job / "hand-back").iterdir()) == ["2026-014.html", "2026-014.pdf"]


def test_a_job_that_is_not_ready_gets_no_sheet_but_a_draft(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = make_job(tmp_path / "job", UNREADY)
    assert main(["hand-back", str(job)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "a power-up after the repair" in said.err
    assert not (job / "hand-back").exists()
    assert main(["hand-back", str(job), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["missing"]
    assert main(["hand-back", str(job), "--draft", "--out", str(tmp_path / "out")]) == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["2026-014.html", "2026-014.pdf"]
    assert not (job / "hand-back").exists()


def test_what_cannot_be_read_or_written_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["hand-back", str(tmp_path / "nowhere")]) == 2
    assert "job.toml: there is none" in capsys.readouterr().err
    job = make_job(tmp_path / "job", JOB.replace('number = "2026-014"\n', "") + FOUND)
    assert main(["hand-back", str(job)]) == 2
    assert "number: missing" in capsys.readouterr().err
    job = make_job(tmp_path / "whole")
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["hand-back", str(job), "--out", str(tmp_path / "file")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_where_the_pdf_cannot_be_made_no_page_is_written_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    job = make_job(tmp_path / "job")

    def refuses(_sheet: Sheet) -> bytes:
        raise HandBackError("the PDF cannot be set")

    monkeypatch.setattr(commands, "as_pdf", refuses)
    assert main(["hand-back", str(job)]) == 1
    assert "cannot be set" in capsys.readouterr().err
    assert not (job / "hand-back").exists()
