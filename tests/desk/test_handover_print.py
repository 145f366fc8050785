"""Printed documents read back: text, order, pages, PDF/A, glyphs, sameness."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pdfplumber
import pikepdf
import pypdfium2
import pytest

from desk import press
from reports import (
    charts,
    facts,
    glyphs,
    linkpages,
    record,
    requirements,
    resulttable,
    retestlist,
    sampling,
    superseded,
)
from reports.document import Column, Document, heading, plain, sheet, table
from reports.particulars import Particulars, Seal
from reports.words import words
from rules.evaluation import Evaluation
from tests.reports import sample

SEALS = tuple(Seal(f"data/file-{i}.csv", f"{i:064x}", 100 + i) for i in range(3))


@pytest.fixture(scope="module")
def evaluation() -> Evaluation:
    return sample.evaluation(100)


@pytest.fixture(scope="module")
def laid_out(evaluation: Evaluation) -> Document:
    given = sample.particulars()
    results = facts.results(evaluation)
    # two charts are enough to see that charts are printed
    drawn = list(charts.progress(results, words("en")))
    pictures = {f"{one.name}.svg": one.svg for one in drawn}
    blocks = [
        {"is": "chart", "title": one.title, "caption": one.caption, "file": f"{one.name}.svg"}
        for one in drawn
    ]
    return record.build(evaluation, given, results, SEALS, (blocks, pictures))


@pytest.fixture(scope="module")
def printed(laid_out: Document) -> bytes:
    return press.press(laid_out, sample.AS_OF)


@pytest.fixture(scope="module")
def pages(printed: bytes) -> list[str]:
    with pdfplumber.open(io.BytesIO(printed)) as pdf:
        return [page.extract_text() for page in pdf.pages]


def test_every_planned_test_is_printed_once_in_plan_order(
    evaluation: Evaluation, pages: list[str]
) -> None:
    text = "".join("".join(pages).split())
    at = 0
    for row in resulttable.printed(facts.results(evaluation), sample.particulars()):
        found = text.find(row, at)
        assert found >= 0, row
        at = found + len(row)


def test_the_parts_stand_in_their_order(pages: list[str]) -> None:
    text = "\n".join(pages[2:])
    heads = ["How it was tested and judged", "Instruments", "Test runs", "\nResults\n",
             "Links without an accepted result", "Deviations and observations",
             "Repairs, waivers and releases", "Replaced results", "Applications supported",
             "\nCharts\n", "What proves this set"]  # fmt: skip
    places = [text.index(head) for head in heads]
    assert places == sorted(places)


def test_pages_are_numbered_and_the_contents_agree(pages: list[str]) -> None:
    for number, page in enumerate(pages, start=1):
        assert page.rstrip().endswith(f"Page {number} of {len(pages)}")
    entry = re.search(r"^Replaced results.*?(\d+)$", pages[1], re.M)
    assert entry is not None
    assert "\nReplaced results\n" in "\n" + pages[int(entry[1]) - 1]


def test_job_head_and_hashes_are_printed(pages: list[str]) -> None:
    text = "".join("".join(pages).split())
    assert sample.particulars().job_head in text
    for seal in SEALS:
        assert seal.sha256 in text


def test_the_failing_result_shows_three_digits(pages: list[str]) -> None:
    assert re.search(r"1300 a-b 1\.324 1\.320 −0\.004 0\.268 FAIL, marginal", "\n".join(pages))


def test_declares_pdf_a_2b_and_holds_to_its_basics(printed: bytes) -> None:
    """What ISO 19005-2 asks and this reader can see (from memory); no validator ran."""
    with pikepdf.open(io.BytesIO(printed)) as pdf:
        meta = pdf.open_metadata()
        assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("2", "B")
        assert pdf.Root.OutputIntents[0].S == "/GTS_PDFA1"
        assert not pdf.is_encrypted
        assert "/ID" in pdf.trailer
        assert "/Names" not in pdf.Root or "/EmbeddedFiles" not in pdf.Root.Names
        assert "/StructTreeRoot" in pdf.Root
        parts = [obj for obj in pdf.objects if isinstance(obj, pikepdf.Dictionary)]
        fonts = [obj for obj in parts if obj.get("/Type") == "/FontDescriptor"]
        assert fonts
        assert all("/FontFile2" in f or "/FontFile3" in f for f in fonts)
        assert not [obj for obj in parts if obj.get("/S") in ("/JavaScript", "/Launch")]


def test_same_document_same_bytes(laid_out: Document, printed: bytes) -> None:
    assert press.press(laid_out, sample.AS_OF) == printed


def test_joined_parts_read_like_one_document(
    evaluation: Evaluation, printed: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = _read(printed)
    monkeypatch.setattr(press, "WHOLE_ROWS", 50)
    monkeypatch.setattr(resulttable, "ROWS_PER_PART", 150)
    given = sample.particulars()
    results = facts.results(evaluation)
    drawn = list(charts.progress(results, words("en")))
    blocks = [
        {"is": "chart", "title": one.title, "caption": one.caption, "file": f"{one.name}.svg"}
        for one in drawn
    ]
    document = record.build(
        evaluation, given, results, SEALS, (blocks, {f"{o.name}.svg": o.svg for o in drawn})
    )
    assert len(document.parts) >= 4
    joined = press.press(document, sample.AS_OF, press.Workers())
    assert _read(joined) == _read(printed)
    with pikepdf.open(io.BytesIO(joined)) as pdf:
        assert f"<xmpTPg:NPages>{len(pages)}<" in pdf.Root.Metadata.read_bytes().decode()
        with pdf.open_outline() as outline:
            assert [str(item.title) for item in outline.root][:2] == [
                "Summary", "How it was tested and judged",
            ]  # fmt: skip


def _read(content: bytes) -> list[str]:
    pdf = pypdfium2.PdfDocument(content)
    return [page.get_textpage().get_text_range().replace("\r\n", "\n") for page in pdf]


def _text(document: Document) -> str:
    return "\n".join(_read(press.press(document, sample.AS_OF)))


def _labels(*texts: str) -> Document:
    given = sample.particulars()
    meta = record.meta(given, words("en"), "labels")
    rows = [plain(text, "x") for text in texts]
    blocks = (heading("Labels"), *table([Column("a", 0), Column("b", 20)], rows, ""))
    return Document("labels", meta, (blocks,))


def test_latin_greek_and_cyrillic_labels_have_their_glyphs() -> None:
    labels = ["Łódź-Größe Ñandú Çeşme Őr", "Αίθουσα Β ώς ΐΰ", "Щитовая 2 Ґалаґан Ђурђ Їжак"]
    text = _text(_labels(*labels))
    for label in labels:
        assert label in text


def test_every_character_called_drawn_is_drawn() -> None:
    """The press refuses a document with a missing glyph, so that printing is the proof."""
    every = [chr(c) for a, b in glyphs.DRAWN for c in range(a, b + 1) if chr(c) != "\n"]
    lines = ["".join(every[i : i + 40]) for i in range(0, len(every), 40)]
    assert press.press(_labels(*lines), sample.AS_OF)


def test_other_scripts_are_written_as_code_points() -> None:
    assert glyphs.printable("中A") == "<U+4E2D>A"
    printed = _text(_labels("中\U0001f600"))
    # long words carry invisible places where a line may break
    assert "<U+4E2D><U+1F600>" in printed.replace("\u200b", "")


def test_markup_in_a_label_is_only_text() -> None:
    label = '#panic("x") *bold* _it_ $x$ <a> @b `c` \\ #{ 1 }'
    assert '#panic("x") *bold*' in _text(_labels(label))


def test_a_long_label_breaks_and_hides_no_number(evaluation: Evaluation) -> None:
    long = "X" * 70
    links = evaluation.plan.links.assign(
        link_id=evaluation.plan.links["link_id"].mask(
            evaluation.plan.links["link_id"] == "C001-01", long
        )
    )
    renamed = {
        name: getattr(evaluation, name).assign(
            link_id=getattr(evaluation, name)["link_id"].mask(
                getattr(evaluation, name)["link_id"] == "C001-01", long
            )
        )
        for name in ("test_states", "grades")
    }
    changed = replace(evaluation, plan=replace(evaluation.plan, links=links), **renamed)
    results = facts.results(changed).head(4)
    parts = resulttable.parts(results, sample.particulars(), words("en"))
    meta = record.meta(sample.particulars(), words("en"), "x")
    text = "".join(_text(Document("x", meta, tuple(parts))).replace("\u200b", "").split())
    for row in resulttable.printed(results, sample.particulars()):
        numbers_ = row.split("a-b")[-1]
        assert numbers_ in text


def test_a_draft_is_marked_on_every_page(evaluation: Evaluation) -> None:
    given = sample.particulars(draft=True, missing=("Contractor is named: empty",))
    results = facts.results(evaluation)
    text = press.press(record.build(evaluation, given, results, SEALS), sample.AS_OF)
    pages = _read(text)
    assert all("DRAFT" in page for page in pages)
    assert any("Open against the requirements" in page for page in pages)


def test_letter_paper_and_feet(evaluation: Evaluation) -> None:
    given = sample.particulars(paper="us-letter", length_unit="ft")
    results = facts.results(evaluation)
    content = press.press(record.build(evaluation, given, results, SEALS), sample.AS_OF)
    with pikepdf.open(io.BytesIO(content)) as pdf:
        assert [float(v) for v in pdf.pages[0].MediaBox] == [0, 0, 612, 792]
    assert " ft, 2 conn." in _first_results(content)


def _first_results(content: bytes) -> str:
    return next(t for page in _read(content) if "\nResults\n" in (t := "\n" + page))


def test_results_pages_hold_as_many_rows_as_were_reckoned(
    laid_out: Document, pages: list[str]
) -> None:
    """A page given by rows must not overflow: it would begin a page with two rows."""
    planned = [len(b["pages"]) for part in laid_out.parts[1:-1] for b in part if b["is"] == "sheet"]
    with_rows = [page for page in pages if "Link, ends, build" in page]
    assert len(with_rows) == sum(planned)


def test_the_other_documents_print(evaluation: Evaluation) -> None:
    given: Particulars = sample.particulars()
    results = facts.results(evaluation)
    text = _text(retestlist.document(evaluation, given))
    assert text.index("Before you leave") < text.index("never look into a fibre")
    assert "PA004 · L3" in text
    drawn = _text(sampling.document(results, given, requirements.Sample()))
    assert "Chance to find one" in drawn
    assert given.job_head in "".join(drawn.split())
    gone = _text(superseded.document(facts.superseded(evaluation), given))
    assert gone.count("C001-01") == 3
    one = _text(linkpages.document(evaluation, given, results, ["C001-01", "C002-05"]))
    assert one.index("C001-01") < one.index("C002-05")
    assert "connector replaced" in one


def test_charts_are_the_same_bytes_and_well_formed(evaluation: Evaluation) -> None:
    results = facts.results(evaluation)
    w = words("en")
    for _ in range(2):
        first = [c.svg for c in charts.progress(results, w)]
    assert first == [c.svg for c in charts.progress(results, w)]
    drawn = list(charts.charts(evaluation, sample.particulars(), results))
    names = {one.name.split("-")[0] for one in drawn}
    assert names == {"distribution", "by", "progress", "port"}
    for one in drawn:
        ET.fromstring(one.svg)
        assert b"<dc:date>" not in one.svg
        assert one.caption.endswith(".")


def test_numbers_along_an_axis_are_written_like_those_of_the_text(evaluation: Evaluation) -> None:
    results = facts.results(evaluation)
    graded = results.loc[results["loss_db"].notna()]
    english = words("en")
    comma = replace(english, style=replace(english.style, decimal=","))
    point, other = (next(iter(charts.by_port(graded, w))) for w in (english, comma))
    ticks = re.compile(r">(\d+[.,]\d+)</text>")
    found, written = (ticks.findall(chart.svg.decode()) for chart in (point, other))
    assert any("." in text for text in found)
    assert written == [text.replace(".", ",") for text in found]


def test_an_empty_job_prints_too() -> None:
    from rules import tables

    empty = sample.evaluation(4)
    nothing = replace(
        empty, grades=tables.empty(tables.GRADES), readings=tables.empty(tables.READINGS),
        runs=tables.empty(tables.RUNS), findings=tables.empty(tables.FINDINGS),
        questions=tables.empty(tables.QUESTIONS), balance=tables.empty(tables.BALANCE),
        test_states=empty.test_states.assign(reading_id="", state="missing", grade=""),
    ).spelled()  # fmt: skip
    given = sample.particulars(dumps=(), entries=(), limits=(), certificates=())
    results = facts.results(nothing)
    assert not list(charts.charts(nothing, given, results))
    assert "not tested" in _text(record.build(nothing, given, results, ()))
    assert sampling.draw(results, 10, "s").empty
    assert "Replaced" in _text(superseded.document(facts.superseded(nothing), given))


def test_a_flowing_table_says_nothing_when_empty() -> None:
    (block,) = table([Column("a", 0)], [], "None.")
    assert block == {"is": "text", "text": "None."}
    assert sheet([Column("a", 0)], [[plain("x")]])["rows"] == 1


def test_a_record_too_large_for_one_volume_is_split_and_says_where(
    evaluation: Evaluation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record, "VOLUME_ROWS", 150)
    monkeypatch.setattr(resulttable, "ROWS_PER_PART", 100)
    given, results = sample.particulars(), facts.results(evaluation)
    volumes = record.volumes(results, given)
    assert [v.name for v in volumes] == ["record-2", "record-3"]
    main = record.build(evaluation, given, results, SEALS, ((), {}), len(volumes))
    assert "fill volumes 2 to 3" in _text(main)
    text = "".join("".join(_text(volume) for volume in volumes).split())
    assert all(row in text for row in resulttable.printed(results, given))
