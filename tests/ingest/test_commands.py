"""The commands of intake and care: what they print and their exit codes."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from desk import main, terminal
from ingest import originals
from ingest.job import Job
from tests.ingest import sample


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Any:
    """Run a command line; give (exit code, output, errors)."""

    def line(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["glasstally", *map(str, words)])
        code = terminal.guarded(lambda: main.build()(standalone_mode=True))
        said = capsys.readouterr()
        return int(code), said.out, said.err

    return line


def test_take_prints_a_receipt_and_exits_1(run: Any, worked: Job, tmp_path: Path) -> None:
    path = tmp_path / "late.csv"
    path.write_bytes(sample.dump(["1A.10", "9Z.98"], day=4))
    code, out, _ = run("--job", worked.folder, "take", path, tmp_path / "none", "--by", "crew")
    assert code == 1
    assert "late.csv (" in out
    assert "  2 readings = " in out
    assert "none: refused, there is no such file." in out
    assert "Before leaving the site" in out
    code, out, _ = run("--job", worked.folder, "take", path, "--json")
    (receipt,) = json.loads(out)
    assert (receipt["outcome"], receipt["balance"]["read"]) == ("again", 2)


def test_verify_exits_3_where_something_is_damaged(run: Any, worked: Job) -> None:
    code, out, _ = run("--job", worked.folder, "verify", "--quick")
    assert code == 0
    assert "2 originals and 5 journal entries are as written." in out
    originals.path_of(worked.originals, originals.digest(sample.dump(sample.labels(6)))).unlink()
    code, out, _ = run("--job", worked.folder, "verify", "--quick")
    assert code == 3
    assert "is missing" in out
    assert "still trustworthy: every other original and the journal" in out


def test_a_cut_journal_exits_3_and_restore_mends_it(run: Any, worked: Job) -> None:
    (path,) = worked.journals.glob("*.jsonl")
    good = path.read_bytes()
    path.write_bytes(good[: good.rindex(b'{"at"')])
    code, _, err = run("--job", worked.folder, "dump", "list")
    assert (code, "the tail is cut" in err) == (3, True)
    code, out, _ = run("--job", worked.folder, "verify", "--quick", "--restore")
    assert code == 0
    assert "5 entries are whole again" in out
    assert path.read_bytes() == good


def test_dumps_are_listed_and_set_aside_by_name_or_hash(run: Any, worked: Job) -> None:
    code, out, _ = run("--job", worked.folder, "dump", "list")
    assert code == 0
    assert "monday.csv" in out
    code, _, err = run(
        "--job", worked.folder, "dump", "set-aside", "nothing", "--why", "x", "--by", "a"
    )
    assert (code, "No dump is called 'nothing'" in err) == (2, True)


def test_doctor_says_what_it_found(run: Any, worked: Job) -> None:
    code, out, _ = run("--job", worked.folder, "doctor", "--json")
    found = {(f["topic"], f["state"]) for f in json.loads(out)}
    assert code == 0
    assert {("database", "fine"), ("journal", "fine"), ("profiles", "fine")} <= found
    texts = " ".join(f["text"] for f in json.loads(out))
    assert "journal mode" in texts
    assert "because" in texts


def test_listen_without_a_port_lists_them(run: Any, worked: Job) -> None:
    code, out, _ = run("--job", worked.folder, "listen", "--list")
    assert code == 0
    assert out.strip()
    code, _, err = run("--job", worked.folder, "listen", "/dev/none")
    assert (code, "The port /dev/none cannot be opened" in err) == (4, True)
    code, _, err = run("--job", worked.folder, "listen", "loop://", "--parity", "some")
    assert (code, "parity: found some" in err) == (2, True)


def test_a_broken_job_toml_exits_2_with_a_line_per_mistake(run: Any, worked: Job) -> None:
    (worked.folder / "job.toml").write_text('name = 3\nfoo = "x"\n')
    code, _, err = run("--job", worked.folder, "take", "x")
    assert code == 2
    assert len(err.splitlines()) == 2
    assert "Traceback" not in err


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_a_folder_without_permission_exits_4(run: Any, worked: Job, tmp_path: Path) -> None:
    path = tmp_path / "late.csv"
    path.write_bytes(sample.dump(["1A.10"], day=4))
    run("--job", worked.folder, "take", path)  # now everything is imported
    path.write_bytes(sample.dump(["1A.11"], day=4))
    before = sorted(worked.folder.rglob("*"))
    for folder in ("journal", "originals"):
        (worked.folder / folder).chmod(0o555)
    with (tmp_path / "errors").open("w") as errors:
        pid = os.fork()
        if pid == 0:
            sys.stderr = errors
            if os.geteuid() == 0:  # root writes anywhere
                os.chmod(tmp_path.parent, 0o755)  # noqa: PTH101, S103
                os.seteuid(65534)
            code = terminal.guarded(lambda: main.build()(standalone_mode=True))
            errors.flush()
            os._exit(code)
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    said = (tmp_path / "errors").read_text()
    assert code == 4, said
    assert "the system gives no permission; check who owns the folder" in said
    assert len(said.splitlines()) == 1
    assert sorted(worked.folder.rglob("*")) == before


@pytest.mark.skipif(os.name == "nt", reason="SIGTERM")
def test_watch_stops_at_a_request_and_sums_up(worked: Job) -> None:
    text = (
        (worked.folder / "job.toml")
        .read_text()
        .replace("settle_seconds = 2.0", "settle_seconds = 0.1")
    )
    (worked.folder / "job.toml").write_text(text)
    (worked.inbox / "odd.csv").write_bytes(b"no dump\n")
    code = "import sys; from desk import main; sys.argv[0] = 'glasstally'; main.run()"
    done = subprocess.Popen(
        [sys.executable, "-c", code, "--job", str(worked.folder), "watch", "--poll"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert done.stdout is not None
    lines = [done.stdout.readline() for _ in range(2)]
    done.send_signal(signal.SIGTERM)
    rest, errors = done.communicate(timeout=120)
    assert lines[0].startswith("Watching ")
    assert lines[1] == "odd.csv: held, no profile claims it\n"
    assert "Stopped. Dumps: 1 held." in rest
    assert (done.returncode, errors) == (1, "")
    assert not (worked.folder / "glasstally.watch").exists()


def test_backup_and_merge_from_the_terminal(run: Any, worked: Job, tmp_path: Path) -> None:
    code, out, _ = run("--job", worked.folder, "backup", tmp_path / "copy", "--json")
    assert (code, json.loads(out)["backup"]) == (0, str(tmp_path / "copy"))
    code, out, _ = run("--job", worked.folder, "merge", tmp_path / "copy")
    assert (code, out) == (0, "0 journal entries and 0 originals were new.\n")
    shutil.rmtree(tmp_path / "copy")
    code, _, err = run("--job", worked.folder, "merge", tmp_path / "copy")
    assert code == 2
    assert "is no job" in err
    code, out, _ = run("--job", worked.folder, "upgrade")
    assert code == 0
    assert out.startswith("Nothing to do")
