"""Every page: whole, small, plain HTML, and the same figures as the stored tables."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import lxml.html
import pytest

from desk.demo import Made
from desk.page import board, charts, link, pace, panels, quality
from desk.page.forms import plain_name
from ingest import views
from ingest.job import Job
from tests.desk.page_client import Visitor, office_of

PAGES = (
    "/", "/panels", "/panel?name=W0F", "/questions", "/intake", "/retests",
    "/retests?building=Weir%20house", "/sheets", "/sheets?edit=S01", "/papers", "/quality",
    "/handover", "/link?id=W0F-09", "/link?id=W0J-01", "/link?id=W0B-30",
)  # fmt: skip
MOST_BYTES = 200_000


@pytest.fixture(scope="module")
def visitor(demo_job: Path) -> Iterator[Visitor]:
    office = office_of(demo_job)
    yield Visitor(office)
    office.close()


def tree(visitor: Visitor, path: str) -> lxml.html.HtmlElement:
    answer = visitor.get(path)
    assert answer.status_code == 200, path
    return lxml.html.document_fromstring(answer.text)


def text(element: lxml.html.HtmlElement) -> str:
    return " ".join(element.text_content().split())


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_small_plain_and_whole(visitor: Visitor, path: str) -> None:
    answer = visitor.get(path)
    page = lxml.html.document_fromstring(answer.text)
    assert answer.status_code == 200
    assert len(answer.content) < MOST_BYTES
    assert len(page.xpath("//h1")) == 1
    assert page.xpath("//main")
    assert page.xpath("//title")[0].text
    assert page.get("lang") == "en"
    # the policy forbids inline script and style, so none may be there
    assert not page.xpath("//@style | //style | //script[not(@src)]")
    assert not [name for el in page.iter() for name in el.attrib if name.startswith("on")]
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert all(el.get("id") for el in page.xpath("//*[@data-live]"))
    for form in page.xpath("//form[@method='post']"):
        assert form.xpath(".//input[@name='token']")
    named = {label.get("for") for label in page.xpath("//label[@for]")}
    for field in page.xpath("//input[not(@type='hidden')] | //select | //textarea"):
        wrapped = field.xpath("ancestor::label")
        assert field.get("id") in named or field.get("aria-label") or wrapped, path


def test_every_link_of_every_page_leads_somewhere(visitor: Visitor) -> None:
    seen: set[str] = set()
    for path in PAGES:
        for target in tree(visitor, path).xpath("//a/@href"):
            kind = re.sub(r"=[^&]*", "=", target)
            if target.startswith("/") and kind not in seen:
                seen.add(kind)
                assert visitor.get(target).status_code == 200, target
    assert {"/link?id=", "/panel?name=", "/question?id="} <= seen


def test_board_shows_the_stored_figures(visitor: Visitor, demo_job: Path) -> None:
    status = views.status(Job.open(demo_job))
    job = next(row for row in status["completion"] if row["scope"] == "job")
    page = tree(visitor, "/")
    figures = [text(dd).split()[0] for dd in page.xpath("//dl[@class='figures']//dd")]
    expected = ("percent", "measured", "failed", "doubtful", "links_ready")
    assert figures == [str(job[name]) for name in expected]
    rows = {
        text(row.xpath("./th")[0]): row
        for row in page.xpath("//section[@id='board-cable']//tbody/tr")
    }
    for row in status["completion"]:
        if row["scope"] == "cable":
            cells = [text(cell) for cell in rows[row["name"]].xpath("./td")[1:]]
            assert cells[1:4] == [str(row[k]) for k in ("accepted", "failed", "doubtful")]
            assert cells[-1] == f"{row['percent']} %"
    count = page.xpath("//span[@id='count-questions']")
    assert (text(count[0]) if count else "0") == str(status["questions"])


def test_bars_add_up_to_what_is_counted(visitor: Visitor) -> None:
    bar = tree(visitor, "/").xpath("//section[@id='board-job']//*[local-name()='rect'][@x]")
    job = views.status(visitor.office.job())["completion"][0]
    widths = {el.get("class")[2:]: float(el.get("width")) for el in bar}
    for state, width in widths.items():
        assert width == pytest.approx(100 * job[state.replace("-", "_")] / job["planned"], abs=0.01)


def test_panel_map_shows_the_worst_state_of_each_link(visitor: Visitor, demo_job: Path) -> None:
    worst: dict[str, set[str]] = {}
    for link_id in ("W0F-09", "W0G-05", "W0J-03", "W0A-17"):
        tests = views.link(Job.open(demo_job), link_id)["tests"]
        worst[link_id] = {test["state"] for test in tests}
    for link_id, states in worst.items():
        page = tree(visitor, f"/panel?name={link_id[:3]}")
        port = page.xpath(f"//a[contains(@class,'port')][contains(@href,'{link_id}')]")[0]
        shown = port.get("class").split("p-")[1]
        assert shown == next(state for state in panels.WORST_FIRST if state in states)
        assert panels.SIGNS[shown] in text(port)


def test_fibre_colours_follow_the_strand(visitor: Visitor) -> None:
    """ANSI/TIA-598 order of twelve colours, from memory; strand 57 is the ninth of its tube."""
    port = tree(visitor, "/panel?name=W0F").xpath("//a[contains(@aria-label,'port 9,')]")[0]
    assert "yellow fibre" in port.get("aria-label")
    assert port.xpath(".//span[contains(@class,'c-9')]")


def test_link_page_holds_sum_readings_and_the_original_line(visitor: Visitor) -> None:
    page = tree(visitor, "/link?id=W0F-09")
    whole = text(page)
    for row in views.limits(visitor.office.job(), "W0F-09"):
        assert f"{row['limit_db']:.3f} dB" in whole
        assert sum(term["db"] for term in row["terms"]) == pytest.approx(row["limit_db"])
    lines = page.xpath("//pre[@class='dump']//span[@class='at']")
    assert lines
    assert all("W0F-09" in text(line) for line in lines)
    assert page.xpath("//pre//mark")[0].text == "W0F-09"


def test_chart_geometry_keeps_order_and_marks_what_is_over() -> None:
    grade = {"wavelength_nm": 850, "direction": "a-b", "grade": "pass"}
    made = link.chart(
        [
            grade | {"loss_db": 0.5, "limit_db": 1.0},
            grade | {"loss_db": 1.5, "limit_db": 1.0, "grade": "fail"},
            grade | {"loss_db": 2.5, "limit_db": None, "grade": "superseded"},
        ]
    )
    assert made is not None
    low, over, old = made["columns"][0]["dots"]
    assert low["y"] > made["columns"][0]["limits"][0]["y"] > over["y"] > old["y"]
    assert (low["over"], over["over"], old["old"]) == (False, True, True)
    assert link.chart([]) is None


def test_links_are_found_by_what_is_typed(visitor: Visitor) -> None:
    def found(typed: str) -> list[str]:
        return [row["link_id"] for row in visitor.get("/links.json", params={"q": typed}).json()]

    assert found("w0f-09") == ["W0F-09"]
    assert found("w0f0")[0] == "W0F-01"
    assert found("F 09") == ["W0F-09", "K0F-09"] or found("F 09") == ["W0F-09"]
    assert found("") == []
    assert found("nothing like it") == []
    assert len(found("w")) == link.MOST_FOUND


def test_retest_list_is_that_of_the_store_and_fits_a_building(visitor: Visitor) -> None:
    rows = views.retests(visitor.office.job())
    page = tree(visitor, "/retests")
    ports = page.xpath("//table//tbody/tr")
    assert len(ports) == len({(row["panel"], row["port"], row["link_id"]) for row in rows})
    weir = [row for row in rows if row["building"] == "Weir house"]
    shown = tree(visitor, "/retests?building=Weir%20house").xpath("//td/a[@class='label']")
    assert {text(a) for a in shown} == {row["link_id"] for row in weir}
    assert "far end dark, checked by a meter" in text(page)


def test_charts_are_drawn_light_and_dark_with_their_tables(visitor: Visitor) -> None:
    page = tree(visitor, "/quality")
    names = [name.rsplit("/", 1)[1].split(".")[0] for name in page.xpath("//img/@src")]
    assert {"loss-by-cable", "connections-by-meter", "cord-wear", "reference-drift"} <= set(names)
    drawn = {}
    for theme in charts.THEMES:
        answer = visitor.get(f"/chart/loss-by-cable.svg?theme={theme}")
        assert answer.headers["content-type"].startswith("image/svg+xml")
        drawn[theme] = answer.text
        assert "<script" not in answer.text
    assert drawn["light"] != drawn["dark"]
    assert visitor.get("/chart/nothing.svg").status_code == 404
    assert visitor.get("/chart/loss-by-cable.svg?theme=x").status_code == 404


def test_loss_per_connection_takes_the_glass_out(visitor: Visitor) -> None:
    """Worked by hand: 640 m at 1310 nm, 2 splices, 2 connections, typical values of the module."""
    rows = visitor.office.read("test results", quality._results)
    row = rows[(rows["link_id"] == "W0E-01") & (rows["nm"] == 1310)].iloc[0]
    assert row["per_connection"] == pytest.approx((row["loss"] - 0.34 * 0.64 - 2 * 0.05) / 2)


def test_running_median_is_the_median_of_the_window() -> None:
    """Compared with numpy's median of each window written out."""
    import numpy as np

    values = np.array([5.0, 1.0, 4.0, 2.0, 3.0, 9.0])
    for at, middle in enumerate(charts.running_median(values, window=3)):
        assert middle == np.median(values[max(0, at - 1) : at + 2])


def test_forecast_counts_working_days_and_gives_a_range() -> None:
    """Student's t, 80 % two-sided, 2 degrees of freedom 1.886 (NIST/SEMATECH e-Handbook)."""
    days = {date(2026, 11, 9): 90, date(2026, 11, 10): 100, date(2026, 11, 11): 110}
    made = pace.forecast(days, left=200, today=date(2026, 11, 12))
    assert made is not None
    assert made.per_day == 100
    assert made.likely == date(2026, 11, 13)
    # 100 ± 1.886 · 10 / √3 = 110.9 and 89.1 a day: 1.8 and 2.2 days, so the third is a Monday
    assert made.early == date(2026, 11, 13)
    assert made.late == date(2026, 11, 16)
    assert pace.forecast(days, left=0, today=date(2026, 11, 12)) is None
    assert pace.forecast({}, left=5, today=date(2026, 11, 12)) is None
    one = pace.forecast({date(2026, 11, 9): 10}, left=5, today=date(2026, 11, 10))
    assert one is not None
    assert one.early is None


def test_student_quantiles_agree_with_scipy() -> None:
    from scipy import stats

    for freedom, value in pace.STUDENT_80.items():
        assert value == pytest.approx(stats.t.ppf(0.9, freedom), abs=0.0006)


def test_many_parts_show_those_with_most_left() -> None:
    parts = [{"accepted": n, "waived": 0, "planned": 100} for n in range(board.MOST_PARTS + 5)]
    shown, hidden = board._shown(parts)
    assert hidden == 5
    assert [row["accepted"] for row in shown] == list(range(board.MOST_PARTS))


def test_panels_are_parted_into_pages_that_hold_every_panel_once(visitor: Visitor) -> None:
    names = visitor.office.read("panels", panels._panels)
    pages = panels._pages(names | {f"X{n}": {"ports": [None] * 900} for n in range(5)})
    assert [name for page in pages for name in page] == [*names, *(f"X{n}" for n in range(5))]
    assert len(pages) > 3


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("dump.csv", "dump.csv"), ("../../etc/passwd", "passwd"), ("C:\\a\\b.csv", "b.csv"),
        ("a\x00b\n.csv", "ab.csv"), ("", "upload"), ("x" * 500, "x" * 120), ("..", ".."),
    ],
)  # fmt: skip
def test_client_names_are_only_shown(given: str, shown: str) -> None:
    assert plain_name(given) == shown


def test_hostile_labels_stay_text(demo_made: Made, job_copy: Path, tmp_path: Path) -> None:
    from ingest import intake, planload

    nasty = '<img src=x onerror="alert(1)">'
    plan = demo_made.plan.read_text(encoding="utf-8").replace(
        "W0A-01,", f'"{nasty.replace(chr(34), chr(34) * 2)}",'
    )
    (tmp_path / "plan.csv").write_text(plan, encoding="utf-8")
    dump = demo_made.dumps[0].read_text(encoding="utf-8").replace("W0A-02", "<b>W0A</b>&lt;")
    (tmp_path / "<i>nasty.csv").write_text(dump, encoding="utf-8")
    job = Job.open(job_copy)
    planload.load(job, tmp_path / "plan.csv")
    intake.take(job, [tmp_path / "<i>nasty.csv"])
    office = office_of(job_copy)
    visitor = Visitor(office)
    from urllib.parse import quote

    for path in ("/", "/panels", "/panel?name=W0A", "/intake", "/retests", "/questions",
                 f"/link?id={quote(nasty)}"):  # fmt: skip
        answer = visitor.get(path)
        assert answer.status_code == 200, path
        assert "<img src=x" not in answer.text
        assert "<b>W0A" not in answer.text
        assert "<i>nasty" not in answer.text
    for question in views.questions(job):
        answer = visitor.get(f"/question?id={question['question_id']}")
        assert "<b>W0A" not in answer.text
    office.close()


def test_an_empty_job_says_what_to_do_first(tmp_path: Path) -> None:
    from ingest.jobtemplate import Beginning

    Job.create(tmp_path / "job", Beginning(name="empty"))
    office = office_of(tmp_path / "job")
    visitor = Visitor(office)
    for path in ("/", "/panels", "/questions", "/intake", "/retests", "/sheets", "/papers",
                 "/quality", "/handover"):  # fmt: skip
        assert visitor.get(path).status_code == 200, path
    assert "Load the plan" in visitor.get("/").text
    office.close()
    shutil.rmtree(tmp_path / "job")


def test_figures_that_nobody_derived_are_brought_up_to_date(
    demo_made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest import current, planload
    from ingest.jobtemplate import Beginning

    job = Job.create(tmp_path / "job", Beginning(name="stopped", limits=("tia-568.3-d",)))
    planload.load(job, demo_made.plan)
    office = office_of(job.folder)
    with monkeypatch.context() as nobody:
        nobody.setattr(current, "why_stale", lambda _: "")
        visitor = Visitor(office)
        for path in ("/", "/panels", "/questions", "/intake", "/retests", "/sheets", "/papers",
                     "/quality", "/handover", "/link?id=W0A-01", "/panel?name=W0A"):  # fmt: skip
            assert visitor.get(path).status_code == 200, path
        assert "on their way" in visitor.get("/").text
    assert current.why_stale(job)
    office.close()
    office = office_of(job.folder)
    visitor = Visitor(office)
    visitor.get("/")
    office.close()
    assert not current.why_stale(job)
    assert "of planned tests accepted" in visitor.get("/").text


def test_links_json_is_json_and_nothing_else(visitor: Visitor) -> None:
    answer = visitor.get("/links.json?q=<script>")
    assert answer.headers["content-type"] == "application/json"
    assert json.loads(answer.text) == []
