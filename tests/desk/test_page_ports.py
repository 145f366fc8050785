"""Serial ports on the intake page: what the watch says, and what comes in at this moment."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import lxml.html
import pytest

from desk.page.office import Office
from ingest import beat, capture, intake, journal, receiving
from ingest.job import Job
from tests.desk.page_client import Visitor, office_of

PORTS = '\n[[ports]]\nport = "COM3"\nend_mark = "END"\n\n[[ports]]\nport = "/dev/ttyUSB0"\n'


@pytest.fixture
def office(job_copy: Path) -> Iterator[Office]:
    with (job_copy / "job.toml").open("a", encoding="utf-8") as out:
        out.write(PORTS)
    opened = office_of(job_copy)
    yield opened
    opened.close()


def shown(visitor: Visitor) -> list[str]:
    page = lxml.html.document_fromstring(visitor.get("/intake").text)
    parts = page.xpath("//section[@id='ports']//*[contains(@class,'port-line')]")
    return [" ".join(part.text_content().split()) for part in parts]


def served(job: Job, **states: str) -> None:
    told = {port: {"state": state, "words": ""} for port, state in states.items()}
    beat.leave(job.folder, journal.stamp(job.clock()), job.inbox, told)


def test_a_port_says_who_listens_and_what_it_receives(office: Office) -> None:
    visitor, job = Visitor(office), office.job()
    first, second = shown(visitor)
    assert "COM3 nobody listens" in first
    assert "dev/ttyUSB0 nobody listens" in second
    served(job, COM3="open")
    assert "waiting for the first byte" in shown(visitor)[0]
    with capture.recording(job, "COM3") as recorder:
        recorder.keep(b"1;W0A-01;-20.1\r\n2;W0A-02;<b>-20")
        first = shown(visitor)[0]
        assert "COM3 receiving" in first
        assert "1 line, 31 bytes so far" in first
        assert "2;W0A-02;<b>-20" in first
        assert "<b>-20" not in visitor.get("/intake").text
    capture.discard(recorder.path)
    assert "waiting" in shown(visitor)[0]


def test_a_port_that_cannot_be_opened_says_why(office: Office) -> None:
    job = office.job()
    told = {"COM3": {"state": "closed", "words": "The port COM3 cannot be opened: it is gone."}}
    beat.leave(job.folder, journal.stamp(job.clock()), job.inbox, told)
    assert "closed The port COM3 cannot be opened: it is gone." in shown(Visitor(office))[0]


def test_a_watch_that_gave_no_sign_for_long_is_held_for_gone(office: Office) -> None:
    job = office.job()
    old = job.clock() - timedelta(seconds=receiving.SILENT_S + 1)
    beat.leave(job.folder, journal.stamp(old), job.inbox, {"COM3": {"state": "open", "words": ""}})
    assert "nobody listens" in shown(Visitor(office))[0]


def test_captures_are_listed_by_port_and_incomplete_ones_marked(office: Office) -> None:
    job = office.job()
    for name, complete in (("COM3-20261125-100000.txt", True), ("COM3-20261125-110000.txt", False),
                           ("dev-ttyUSB0-20261125-100000.txt", True)):  # fmt: skip
        intake.take_bytes(job, name.encode(), name, "serial", complete=complete)
    first, second = shown(Visitor(office))
    assert "2 captures taken, 1 incomplete" in first
    assert "COM3-20261125-110000.txt" in first
    assert "1 capture taken." in second


def test_a_single_capture_on_another_port_is_shown_too(office: Office) -> None:
    with capture.recording(office.job(), "/dev/ttyS9") as recorder:
        recorder.keep(b"hello\n")
        assert "dev-ttyS9 receiving" in shown(Visitor(office))[2]
    capture.discard(recorder.path)


def test_every_byte_and_state_changes_the_sign_of_the_ports(office: Office) -> None:
    from desk.page import ports

    job = office.job()
    signs = [ports.sign(office)]
    served(job, COM3="open")
    signs.append(ports.sign(office))
    with capture.recording(job, "COM3") as recorder:
        for piece in (b"a", b"b"):
            recorder.keep(piece)
            signs.append(ports.sign(office))
    capture.discard(recorder.path)
    assert len(set(signs)) == 4
    assert ports.sign(office) == signs[1]
