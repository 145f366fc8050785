"""Lines, talks and captures: scripted, over pyserial's loop, and over a pseudo-terminal."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest import capture, intake, views, watch
from ingest.capture import Captured, End, Recorder
from ingest.errors import NotNow
from ingest.job import Job
from ingest.jobfile import Port
from ingest.line import LineLost, SerialLine, Setting
from ingest.talk import HEADING
from parsers.talking import Talk
from tests.ingest import sample


@dataclass
class Scripted:
    """A line that expects certain writes and gives certain reads; must be used up exactly.

    `script` holds bytes that must be written (b"> …"), bytes that arrive (b"< …"), seconds of
    silence (numbers) and errors (exceptions).
    """

    script: list[object]
    seconds: sample.Seconds
    _written: bytes = b""
    wrong: list[str] = field(default_factory=list)

    def read(self) -> bytes:
        self.seconds.at += 0.05
        if not self.script:
            return b""
        now = self.script[0]
        if isinstance(now, float):
            self.script[0] = round(now - 0.05, 6)
            if self.script[0] <= 0:  # type: ignore[operator]
                self.script.pop(0)
            return b""
        if isinstance(now, Exception):
            self.script.pop(0)
            raise now
        assert isinstance(now, bytes)
        if now.startswith(b"> "):
            return b""
        self.script.pop(0)
        return now[2:]

    def write(self, data: bytes) -> None:
        now = self.script.pop(0) if self.script else b""
        assert now == b"> " + data, f"wrote {data!r}, the script has {now!r}"


def run(tmp_path: Path, script: list[object], end: End = End(), talk: str | None = None,  # noqa: B008
        stopped: Callable[[], bool] = lambda: False) -> Captured:  # fmt: skip
    seconds = sample.Seconds()
    line = Scripted(script, seconds)
    recorder = Recorder(tmp_path / "raw", seconds)
    said = Talk.model_validate_json(talk) if talk else None
    moment = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    done = capture.capture(line, end, recorder, talk=said, seconds=seconds,
                           now=lambda: moment, stopped=stopped)  # fmt: skip
    recorder.close()
    assert line.script == [], "the script was not used up"
    assert (tmp_path / "raw").read_bytes() == done.data
    return done


def test_a_capture_waits_for_its_first_byte_and_ends_in_silence(tmp_path: Path) -> None:
    done = run(tmp_path, [60.0, b"< a\r\n", 2.0, b"< b\r\n"])
    assert done == Captured(b"a\r\nb\r\n", "quiet", False, "the line went quiet")


def test_silence_is_complete_only_by_a_persons_word(tmp_path: Path) -> None:
    assert run(tmp_path, [b"< a\n"], End(quiet_is_whole=True)).complete


def test_an_end_mark_may_come_in_pieces(tmp_path: Path) -> None:
    done = run(tmp_path, [b"< a\nEN", 1.0, b"< D\n"], End(mark=b"END"))
    assert (done.ended, done.complete) == ("mark", True)


def test_without_its_mark_a_capture_is_incomplete(tmp_path: Path) -> None:
    done = run(tmp_path, [b"< a\nEN"], End(mark=b"END"))
    assert (done.data, done.ended, done.complete) == (b"a\nEN", "quiet", False)


def test_a_number_of_lines_ends_a_capture(tmp_path: Path) -> None:
    done = run(tmp_path, [b"< a\nb", b"< \nc\n"], End(lines=3))
    assert (done.ended, done.complete) == ("count", True)


def test_a_lost_line_keeps_what_came(tmp_path: Path) -> None:
    done = run(tmp_path, [b"< a\nb", LineLost("device gone")], End(mark=b"END"))
    assert done == Captured(b"a\nb", "lost", False, "the line was lost: device gone")


def test_stopping_is_complete_only_by_a_persons_word(tmp_path: Path) -> None:
    looks = iter([False, True])
    assert not run(tmp_path, [b"< a\n"], stopped=lambda: next(looks)).complete
    (tmp_path / "raw").unlink()
    looks = iter([False, True])
    end = End(stop_is_whole=True)
    assert run(tmp_path, [b"< a\n"], end, stopped=lambda: next(looks)).complete


IDN = '{"step": [{"send": "*IDN?", "expect": "^A,"}, {"send": "DUMP"}], "end_mark": "END"}'


def test_a_talk_asks_waits_and_keeps_every_byte(tmp_path: Path) -> None:
    # IEEE 488.2, 10.14: *IDN? answers with maker, model, serial number, level
    script = [
        b"> *IDN?\r\n",
        b"< noise\r\nA,B",
        0.5,
        b"< ,7,1\r\n",
        b"> DUMP\r\n",
        b"< 1;2\r\nEND\r\n",
    ]
    done = run(tmp_path, script, talk=IDN)
    assert done.data == b"noise\r\nA,B,7,1\r\n1;2\r\nEND\r\n"
    assert (done.ended, done.complete) == ("mark", True)


def test_a_meter_that_does_not_answer_is_named_and_its_bytes_kept(tmp_path: Path) -> None:
    done = run(tmp_path, [b"> *IDN?\r\n", b"< huh?\r\n", 5.0], talk=IDN)
    assert (done.data, done.ended, done.complete) == (b"huh?\r\n", "no-answer", False)
    assert done.why == (
        "the meter did not answer: an answer to '*IDN?' like ^A, did not come within 5 s"
    )


POLL = '{"line_end": "lf", "poll": {"send": "READ?", "every_s": 1.0, "count": 2}}'


def test_a_poll_writes_a_row_per_answer(tmp_path: Path) -> None:
    script = [b"> READ?\n", b"< -20.13\r\n", b"< beep\n", 0.8, b"> READ?\n", b"< -20.14\r"]
    done = run(tmp_path, script, talk=POLL)
    at = b"2026-03-02T08:00:00.000Z"
    assert done.data == HEADING + b"".join(
        at + row for row in (b"\tREAD?\t-20.13\n", b"\t\tbeep\n", b"\tREAD?\t-20.14\n")
    )
    assert done.complete


def test_a_poll_gives_up_after_three_silences(tmp_path: Path) -> None:
    done = run(tmp_path, [b"> READ?\n", 1.9, b"> READ?\n", 1.9, b"> READ?\n", 1.9], talk=POLL)
    assert (done.ended, done.complete) == ("no-answer", False)
    assert done.data.count(b"\tREAD?\t\n") == 3


def test_the_loop_of_pyserial() -> None:
    with SerialLine(Setting("loop://", speed=115_200)) as line:
        line.write(b"over and back")
        got = b""
        while len(got) < 13:
            got += line.read()
    assert got == b"over and back"


def test_a_port_that_is_not_there_is_not_now() -> None:
    with pytest.raises(NotNow, match="The port /dev/none cannot be opened: "):
        SerialLine(Setting("/dev/none"))


pty_only = pytest.mark.skipif(os.name == "nt", reason="no pseudo-terminals there")


@pty_only
def test_a_dump_over_a_pseudo_terminal_is_taken(worked: Job) -> None:
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    port = os.ttyname(slave)
    data = sample.dump(["1A.10", "1A.11"], day=4) + b"\x04"
    sender = threading.Thread(target=os.write, args=(master, data))
    with SerialLine(Setting(port)) as line:
        sender.start()
        done = watch.listen(worked, Port(port=port, end_mark="\\x04"), line, lambda: False)
    sender.join()
    os.close(master)
    os.close(slave)
    assert done is not None
    captured, receipt = done
    assert (captured.data, captured.complete) == (data, True)
    assert receipt.balance["read"] == 2
    assert [d["origin"] for d in views.dumps(worked)] == ["command", "command", "serial"]
    assert not list(worked.inbox.glob(".line-*"))


@pty_only
def test_an_unplugged_meter_leaves_an_incomplete_dump_that_a_second_completes(worked: Job) -> None:
    import tty

    whole = sample.dump(["1A.10", "1A.11", "1A.12"], day=4)
    cut = whole[: whole.index(b"1A.12")]
    master, slave = os.openpty()
    tty.setraw(slave)
    port = os.ttyname(slave)
    with SerialLine(Setting(port)) as line:
        os.write(master, cut)
        os.close(slave)
        got = b""
        looks = iter(range(10_000))

        def pulled() -> bool:
            if next(looks) == 5:
                os.close(master)
            return False

        done = watch.listen(worked, Port(port=port, end_mark="END"), line, pulled)
    assert done is not None
    captured, receipt = done
    assert (captured.data, captured.ended, captured.complete) == (cut, "lost", False)
    assert not got
    assert receipt.balance["read"] == 2
    assert receipt.faults
    intake.take_bytes(worked, whole, "whole.txt", "serial")
    total = views.status(worked)["balance"]
    assert (total["read"], total["duplicate"]) == (10 + 2 + 3, 2)


def test_a_capture_that_a_crash_left_is_taken_as_incomplete(worked: Job) -> None:
    with capture.recording(worked, "COM3") as recorder:
        recorder.keep(sample.dump(["1A.10"], day=4))
        assert capture.leftovers(worked) == []  # somebody listens
    (receipt,) = capture.leftovers(worked)
    assert receipt.name.startswith("COM3-20260307-")
    assert receipt.balance["read"] == 1
    (dump,) = [d for d in views.dumps(worked) if d["origin"] == "serial"]
    assert dump["complete"] == 0
    assert list(worked.inbox.iterdir()) == []
