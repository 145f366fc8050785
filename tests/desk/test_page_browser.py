"""The page in a real browser: by keyboard, without script, two at once, and for every eye.

Screenshots of every page go to the folder that GLASSTALLY_SCREENSHOTS names, else to the test's.
"""

from __future__ import annotations

import io
import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pikepdf
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from desk.demo import Made
from desk.page import serve
from ingest import acts, intake, planload, views
from ingest.job import Job
from ingest.jobtemplate import Beginning
from ingest.watch import Watch
from rules.codes.questions import QUESTIONS
from tests.desk.test_page_pages import PAGES

CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Debian's chromium is not installed"),
]
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run",
)  # fmt: skip
SECONDS = 1000
PATIENT = 60 * SECONDS
MOST_SECONDS_OF_ANSWERING = 120.0
expect.set_options(timeout=PATIENT)


@dataclass
class Running:
    """A page that a thread serves."""

    folder: Path
    address: str
    stop: threading.Event
    desk: serve.Desk

    @property
    def base(self) -> str:
        return self.address.rsplit("/enter", 1)[0]

    def halt(self) -> None:
        """Stop serving, as Ctrl-C would."""
        self.desk.server.should_exit = True
        self.stop.wait(20)


@contextmanager
def running(folder: Path) -> Iterator[Running]:
    with serve.listening(folder) as desk:
        stopped = threading.Event()

        def run() -> None:
            desk.run()
            stopped.set()

        threading.Thread(target=run, daemon=True).start()
        page = Running(folder, desk.address, stopped, desk)
        yield page
        page.halt()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield made
        made.close()


@pytest.fixture(scope="module")
def desk(demo_job: Path) -> Iterator[Running]:
    """The page of the invented job; not to be changed."""
    with running(demo_job) as page:
        yield page


@pytest.fixture
def own(job_copy: Path) -> Iterator[Running]:
    """The page of a copy that a test may change."""
    with running(job_copy) as page:
        yield page


def visit(browser: Browser, desk: Running, **look: object) -> Page:
    """Open the printed address in a browser of its own; a complaint of the browser is an error."""
    context: BrowserContext = browser.new_context(**look)  # type: ignore[arg-type]
    context.set_default_timeout(PATIENT)
    page = context.new_page()
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if line.type == "error" else None)
    page.on("dialog", lambda dialog: said.append(f"dialog: {dialog.message}"))
    page.__dict__["said"] = said
    page.goto(desk.address)
    return page


def quiet(page: Page) -> None:
    assert page.__dict__["said"] == []


SOUND = (
    "/", "/panels", "/panel?name=W0F", "/questions", "/intake", "/retests?building=Weir%20house",
    "/sheets?edit=S01", "/papers", "/quality", "/handover", "/link?id=W0F-09",
)  # fmt: skip
"""One page of each kind."""
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
LOOKS = {
    "light": {"viewport": {"width": 1280, "height": 900}, "color_scheme": "light"},
    "dark": {"viewport": {"width": 1280, "height": 900}, "color_scheme": "dark"},
    "phone": {"viewport": {"width": 360, "height": 780}, "color_scheme": "light"},
}


@pytest.mark.parametrize("look", ["light", pytest.param("dark", marks=pytest.mark.long), "phone"])
def test_every_page_is_sound_for_every_eye(
    browser: Browser, desk: Running, tmp_path: Path, look: str
) -> None:
    """axe-core with the rules of WCAG 2.2 AA; no page is wider than its window (WCAG 1.4.10)."""
    from axe_playwright_python.sync_playwright import Axe

    shots = Path(os.environ.get("GLASSTALLY_SCREENSHOTS", tmp_path))
    page = visit(browser, desk, **LOOKS[look])
    page.goto(f"{desk.base}/questions")
    asked = page.locator("#questions a[href^='/question']").first.get_attribute("href")
    wrong = []
    for path in (*SOUND, asked or ""):
        page.goto(desk.base + path)
        for details in page.locator("details").all():
            details.evaluate("element => element.open = true")
        # the pages of one look differ from another's in colour and width alone
        rules = {"dark": ["color-contrast"], "phone": ["target-size"]}.get(look, WCAG)
        # a thousand ports are alike: one panel of them is looked at
        part = ".panels section:first-child" if path == "/panels" else None
        result = Axe().run(page, context=part, options={"runOnly": rules})
        wrong += [
            (path, found["id"], found["nodes"][0]["html"][:120])
            for found in result.response["violations"]
            if found["impact"] in ("serious", "critical")
        ]
        over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        if over > 0:
            wrong.append((path, "wider than its window", str(over)))
        name = path.strip("/").split("?")[0].replace("/", "-") or "board"
        page.screenshot(path=shots / f"{name}-{look}.png", full_page=True)
    assert wrong == []
    quiet(page)
    page.context.close()


def test_questions_are_answered_by_keyboard_alone(browser: Browser, own: Running) -> None:
    page = visit(browser, own)
    before = [q["question_id"] for q in views.questions(Job.open(own.folder), "open")]
    page.goto(f"{own.base}/questions")
    page.keyboard.press("n")
    page.wait_for_url("**/question?id=*")
    first = page.url
    page.keyboard.press("n")
    page.wait_for_url(lambda url: url != first)
    page.keyboard.press("p")
    page.wait_for_url(first)
    said = page.locator("h1").text_content() or ""
    with page.expect_navigation():
        page.keyboard.press("c")
    expect(page.get_by_text(f"Answered: {said}", exact=False).first).to_be_attached()
    expect(page.get_by_role("button", name="Undo my last answer")).to_be_visible()
    page.keyboard.press("u")
    expect(page.get_by_text("The answer is taken back.")).to_be_visible()
    # a key typed into a field is text, and so are keys that were switched off
    page.locator("#why").focus()
    page.keyboard.type("aaa")
    assert page.locator("#why").input_value() == "aaa"
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("press one of the buttons")
    assert [q["question_id"] for q in views.questions(Job.open(own.folder), "open")] == before
    quiet(page)


def test_another_link_is_found_by_typing(browser: Browser, own: Running) -> None:
    job = Job.open(own.folder)
    asked = _single(job)
    page = visit(browser, own)
    page.goto(f"{own.base}/question?id={asked['question_id']}")
    page.keyboard.press("l")
    expect(page.locator("#link")).to_be_focused()
    page.keyboard.type("w0b3")
    expect(page.locator("#link-list li").first).to_have_attribute("data-link", "W0B-30")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    assert page.locator("#link").input_value() == "W0B-31"
    with page.expect_navigation():
        page.keyboard.press("Enter")
    readings = views.link(Job.open(own.folder), "W0B-31")["readings"]
    assert set(asked["reading_ids"]) <= {row["reading_id"] for row in readings}
    quiet(page)


def _single(job: Job) -> dict[str, Any]:
    """Return an open question about the place of one label."""
    pairing = [q for q in views.questions(job, "open") if q["code"] in QUESTIONS]
    return next(
        q
        for q in pairing
        if len({row["label"] for row in views.question(job, q["question_id"])["rows"]}) == 1
    )


def test_everything_works_with_script_switched_off(
    browser: Browser, own: Running, demo_made: Made, tmp_path: Path
) -> None:
    page = visit(browser, own, java_script_enabled=False)
    for path in PAGES:
        assert page.goto(own.base + path).status == 200  # type: ignore[union-attr]
    page.goto(f"{own.base}/questions")
    page.locator("#begin").click()
    page.get_by_role("button", name="ask the crew").click()
    expect(page.get_by_text("Answered:").first).to_be_visible()
    later = tmp_path / "later.csv"
    later.write_bytes(demo_made.dumps[0].read_bytes().replace(b"W0A-01", b"W0A-1 "))
    page.goto(f"{own.base}/intake")
    page.set_input_files("#dumps", later)
    page.get_by_role("button", name="Take in").click()
    expect(page.get_by_text("1 dump taken in.")).to_be_visible()
    expect(page.get_by_role("rowheader", name="later.csv")).to_be_visible()


def test_a_second_browser_follows_what_the_first_does(browser: Browser, own: Running) -> None:
    board, other = visit(browser, own), visit(browser, own)
    board.goto(f"{own.base}/papers")
    other.goto(f"{own.base}/papers")
    other.locator("#subject").fill("W0A-01")
    other.locator("#why").fill("cap was missing")
    other.get_by_role("button", name="Write it into the journal").click()
    expect(board.locator("#decided")).to_contain_text("cap was missing", timeout=PATIENT)
    quiet(board)


def test_hostile_labels_do_nothing_in_a_browser(
    browser: Browser, job_copy: Path, demo_made: Made, tmp_path: Path
) -> None:
    nasty = "<img src=x onerror=alert(1)>"
    plan = demo_made.plan.read_text(encoding="utf-8").replace("W0A-01,", f"{nasty},")
    (tmp_path / "plan.csv").write_text(plan, encoding="utf-8")
    dump = demo_made.dumps[0].read_text(encoding="utf-8").replace("W0A-02", "<script>alert(2)//")
    (tmp_path / "<svg onload=alert(3)>.csv").write_text(dump, encoding="utf-8")
    job = Job.open(job_copy)
    planload.load(job, tmp_path / "plan.csv")
    intake.take(job, [tmp_path / "<svg onload=alert(3)>.csv"])
    acts.note(job, nasty, nasty, by="<b onclick=alert(4)>")
    asked = views.questions(job, "open")
    paths = (
        "/", "/panel?name=W0A", "/questions", "/intake", "/retests", "/sheets", "/papers",
        f"/link?id={quote(nasty)}", *(f"/question?id={q['question_id']}" for q in asked),
    )  # fmt: skip
    with running(job_copy) as own:
        page = visit(browser, own)
        for path in paths:
            page.goto(own.base + path)
            assert page.locator("[onerror], [onload], [onclick], script:not([src])").count() == 0
        # what is found while typing is text as well
        page.goto(f"{own.base}/question?id={_single(job)['question_id']}")
        page.keyboard.press("l")
        page.keyboard.type("<img src")
        expect(page.locator("#link-list li").first).to_contain_text(nasty)
        assert page.locator("main img[src=x]").count() == 0
        quiet(page)
        page.context.close()


def test_a_lost_desk_is_said_and_found_again(browser: Browser, job_copy: Path) -> None:
    with running(job_copy) as own:
        page = visit(browser, own)
        expect(page.locator("#lost")).to_be_hidden()
        own.halt()
        expect(page.locator("#lost")).to_be_visible(timeout=PATIENT)
        expect(page.locator("#lost")).to_contain_text("lost its connection")
        page.context.close()


def test_files_are_dropped_onto_the_page(browser: Browser, own: Running, demo_made: Made) -> None:
    page = visit(browser, own)
    page.goto(f"{own.base}/intake")
    text = demo_made.dumps[0].read_text(encoding="utf-8").replace("W0A-02", "W0A-2 ")
    handed = page.evaluate_handle(
        "text => { const t = new DataTransfer(); t.items.add(new File([text], 'dropped.csv'));"
        " return t; }",
        text,
    )
    with page.expect_navigation():
        page.dispatch_event("#drop", "drop", {"dataTransfer": handed})
    expect(page.get_by_text("1 dump taken in.")).to_be_visible()
    quiet(page)


@pytest.mark.skipif(os.name == "nt", reason="no pseudo-terminals there")
def test_what_a_serial_port_sends_is_seen_while_it_comes(browser: Browser, job_copy: Path) -> None:
    import tty

    meter, line = os.openpty()
    tty.setraw(line)
    name = os.ttyname(line)
    with (job_copy / "job.toml").open("a", encoding="utf-8") as out:
        out.write(f'\n[[ports]]\nport = "{name}"\nend_mark = "END"\nquiet_s = 600\n')
    job = Job.open(job_copy)
    told: list[str] = []
    watch = Watch(job, told.append, lambda _: None, poll=True)
    at_work = threading.Thread(target=watch.run)
    with running(job_copy) as own:
        page = visit(browser, own)
        page.goto(f"{own.base}/intake")
        ports = page.locator("#ports")
        expect(ports).to_contain_text("nobody listens")
        at_work.start()
        try:
            expect(ports).to_contain_text("waiting for the first byte")
            os.write(meter, b"1;W0A-01;850;-20,1\r\n2;W0A-02;85")
            expect(ports).to_contain_text("1 line, 31 bytes so far")
            os.write(meter, b"0;-20,3\r\n")
            expect(ports).to_contain_text("2;W0A-02;850;-20,3")
            os.write(meter, b"END")
            expect(ports).to_contain_text("1 capture taken")
            expect(ports).to_contain_text("the end mark came")
            expect(ports.get_by_role("table")).to_contain_text("complete")
            os.write(meter, b"3;W0A-03;850;-20,2\r\n")
            expect(ports).to_contain_text("1 line, 20 bytes so far")
            # the meter is unplugged: what came is kept, and marked
            os.close(line)
            os.close(meter)
            expect(ports).to_contain_text("1 incomplete")
            expect(ports).to_contain_text("closed")
        finally:
            watch.stop.set()
            watch.wake.set()
            at_work.join()
        quiet(page)


def test_the_retest_list_prints_without_the_page_around_it(browser: Browser, desk: Running) -> None:
    page = visit(browser, desk)
    page.goto(f"{desk.base}/retests")
    page.emulate_media(media="print")
    expect(page.locator("nav").first).to_be_hidden()
    expect(page.locator(".tick").first).to_be_visible()
    # a building's list is one sheet of paper
    page.goto(f"{desk.base}/retests?building=Weir%20house")
    ports = page.locator(".todo .tick").count()
    with pikepdf.open(io.BytesIO(page.pdf(format="A4"))) as sheet:
        assert len(sheet.pages) == 1, ports
    assert ports > 100
    page.context.close()


def test_the_focus_is_seen_and_follows_the_page(browser: Browser, desk: Running) -> None:
    page = visit(browser, desk)
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    outline = page.locator(".skip").evaluate("e => getComputedStyle(e).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    expect(page.locator("#main")).to_be_focused()
    quiet(page)
    page.context.close()


def answer_by_keys(page: Page, own: Running) -> list[str]:
    """Answer each open question once with single keys, as the proposals say; give their ids.

    What has no proposal is asked of the crew, else the first choice is taken.
    """
    answered: list[str] = []
    page.goto(f"{own.base}/questions")
    expect(page.locator("#notes .say")).to_have_count(0)
    with page.expect_navigation():
        page.keyboard.press("n")
    while "/question?id=" in page.url and page.url not in answered:
        keys = page.locator("main [data-keys]").evaluate_all(
            "found => found.flatMap(e => e.dataset.keys.trim().split(/ +/))"
        )
        key = next(key for key in ("a", "c", "1", "n") if key in keys)
        if key != "n":
            answered.append(page.url)
        with page.expect_navigation():
            page.keyboard.press(key)
    return answered


@pytest.mark.long
def test_three_people_go_from_an_empty_job_to_a_handover(
    browser: Browser, tmp_path: Path, demo_made: Made, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "job"
    Job.create(folder, Beginning(name="A new job", limits=("tia-568.3-d",)))
    with running(folder) as own:
        page = visit(browser, own)
        # the admin loads the plan
        page.get_by_role("link", name="Load the plan").click()
        page.set_input_files("#plan-file", demo_made.plan)
        page.get_by_role("button", name="Load plan").click()
        expect(page.get_by_text("Plan revision 1: 600 links")).to_be_visible()
        # the crew brings its paper and its dumps, and sees what is left
        page.goto(f"{own.base}/sheets")
        page.get_by_text("Load a table of run sheets").click()
        page.set_input_files("#table", demo_made.run_sheets)
        page.get_by_role("button", name="Load", exact=True).click()
        expect(page.get_by_text("19 run sheets read")).to_be_visible()
        page.goto(f"{own.base}/intake")
        page.set_input_files("#dumps", list(demo_made.dumps))
        page.get_by_role("button", name="Take in").click()
        expect(page.get_by_text("7 dumps taken in. 1 had come before")).to_be_visible()
        page.goto(f"{own.base}/retests")
        expect(page.locator(".todo").first).to_be_visible()
        # the admin answers every question, key by key
        page.goto(f"{own.base}/questions")
        expect(page.locator("#begin")).to_be_visible()
        began = time.monotonic()
        answered = answer_by_keys(page, own)
        seconds = time.monotonic() - began
        with capsys.disabled():
            print(f"\n{len(answered)} questions answered by keys in {seconds:.1f} s")
        assert len(answered) > 5
        assert seconds < MOST_SECONDS_OF_ANSWERING
        # the supervisor confirms the limit, looks at the board, and has the draft written
        page.goto(f"{own.base}/papers")
        page.select_option("#kind", "confirm-limit")
        page.locator("#subject").fill("tia-568.3-d")
        page.locator("#why").fill("compared with our copy")
        page.get_by_role("button", name="Write it into the journal").click()
        expect(page.get_by_text("Limit confirmed: tia-568.3-d is in the journal.")).to_be_visible()
        page.goto(f"{own.base}/handover")
        page.get_by_label("Draft").check()
        page.get_by_role("button", name="Write it").click()
        expect(page.locator("#sets")).to_contain_text("0001", timeout=180 * SECONDS)
        with page.expect_download() as record:
            page.locator("#sets a[href*='.pdf']").first.click()
        assert Path(record.value.path()).read_bytes().startswith(b"%PDF")
        quiet(page)
