"""`profile`: from an export nobody has seen to readings, and everything that can go wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.desk.test_bad_input import Done, glasstally

PLAN = "link_id,fibre_type,length_m,connections,splices,a_end,b_end\n" + "".join(
    f"K1-{n:02d},OS2,120,2,0,A1:{n},B1:{n}\n" for n in range(1, 8)
)
STRANGE = (
    "Messprotokoll Dämpfung\nGerät: QX-1203\nPrüfer: H. Vogt\n\n"
    "lfd Nr;Bezeichnung;Wellenlänge nm;Dämpfung dB;Richtung;Datum;Uhrzeit\n"
    + "".join(
        f"{n + 1};K1-{n // 2 + 1:02d};{(1310, 1550)[n % 2]};0,{30 + 2 * n};A>B;1{n // 4}.11.2026;"
        f"09:{10 + n}\n"
        for n in range(12)
    )
    + "13;K1-07;1310;kein Licht;A>B;13.11.2026;09:40\n14;K1-07;1550;***;A>B;13.11.2026;09:40\n"
)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a job, a plan and a dump of an unknown layout in it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    (tmp_path / "keller7.txt").write_bytes(STRANGE.encode("cp1252"))
    assert glasstally("new", "job").code == 0
    assert told("plan", "load", "plan.csv").code == 0
    return tmp_path


def told(*words: object) -> Done:
    return glasstally("--job", "job", *words)


def test_an_unknown_export_is_in_after_three_commands(place: Path) -> None:
    first = told("take", "keller7.txt")
    assert first.code == 1
    assert "held, no profile claims it" in first.out
    assert "Next: glasstally profile draft keller7.txt" in first.out
    second = told("profile", "draft", "keller7.txt", "--accept")
    assert second.code == 0, second.err
    for words in ("Sure:", "'***'", "Preview of keller7.txt: 14 readings", "read by keller7",
                  "keller7.txt:19:4  number-unreadable", "   ^^^"):  # fmt: skip
        assert words in second.out
    assert (place / "job" / "profiles" / "keller7.toml").exists()
    assert list((place / "job" / "held").iterdir()) == []
    third = told("profile", "check", "keller7.txt", "--json")
    found = json.loads(third.out)[0]
    assert (found["parser"], found["readings"], found["lost"]) == ("keller7", 14, [])


def test_a_draft_is_written_corrected_and_accepted(place: Path) -> None:
    told("take", "keller7.txt")
    drafted = told("profile", "draft", "keller7.txt", "--name", "cellar")
    assert "Next: read cellar.toml" in drafted.out
    again = told("profile", "draft", "keller7.txt", "--name", "cellar")
    assert again.code == 2
    assert "--replace" in again.err
    text = (
        Path("cellar.toml")
        .read_text("utf-8")
        .replace("[delimited]", '[states]\nunder-range = ["***"]\n\n[delimited]')
    )
    Path("cellar.toml").write_text(text, encoding="utf-8")
    assert "is in order" in told("profile", "check", "cellar.toml").out
    accepted = told("profile", "accept", "cellar.toml")
    assert accepted.code == 0, accepted.err
    assert "read by cellar" in accepted.out
    assert "fault" not in accepted.out
    listed = json.loads(told("profile", "list", "--json").out)
    assert "cellar" in [row["name"] for row in listed["profiles"]]
    assert listed["problems"] == []


def test_a_changed_profile_needs_a_word_before_it_replaces(place: Path) -> None:
    assert told("profile", "draft", "keller7.txt", "--accept").code == 0
    told("profile", "draft", "keller7.txt")
    text = Path("keller7.toml").read_text("utf-8").replace("version = 1", "version = 2")
    Path("keller7.toml").write_text(text, encoding="utf-8")
    refused = told("profile", "accept", "keller7.toml")
    assert (refused.code, "--replace" in refused.err) == (2, True)
    assert told("profile", "accept", "keller7.toml", "--replace").code == 0


def test_a_draft_that_is_not_whole_is_not_accepted(place: Path) -> None:
    Path("odd.txt").write_text(
        "Label;1310;1550\n" + "".join(f"A-{n};-0.{n}4;-0.{n}1\n" for n in range(1, 8)), "utf-8"
    )
    done = told("profile", "draft", "odd.txt", "--accept")
    assert done.code == 2
    assert "not whole" in done.err
    assert "levels in dBm or losses printed negative" in done.out
    assert list((place / "job" / "profiles").glob("*.toml")) == []
    broken = told("profile", "accept", "odd.toml")
    assert broken.code == 2
    assert "has no unit" in broken.err


def test_a_dump_that_nobody_claims_names_every_reason(place: Path) -> None:
    done = told("profile", "check", "keller7.txt")
    assert done.code == 2
    assert "comma-preamble: no, " in done.out
    assert "Next: glasstally profile draft keller7.txt" in done.out
    read = told("profile", "check", "keller7.txt", "--profile", "wide-slots")
    assert read.code == 0
    assert "The account closes" in read.out


def test_check_prints_where_every_line_went(place: Path) -> None:
    told("profile", "draft", "keller7.txt", "--accept")
    out = told("profile", "check", "keller7.txt").out
    for number in range(1, 20):
        if number != 4:
            assert f"\n  {number:5d}  " in out, number


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("draft", "nowhere.txt"), 2, "there is no such file"),
        (("draft", "plan.toml"), 2, "nothing in this dump repeats"),
        (("check", "plan.toml"), 2, "not a whole profile"),
        (("check", "keller7.txt", "--profile", "nobody"), 2, "profile list"),
        (("accept", "plan.toml"), 2, "not a whole profile"),
        (("accept", "gone.toml"), 2, "there is no such file"),
    ],
)
def test_bad_input_is_one_clear_message(
    place: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    Path("plan.toml").write_text("x = 1\n", encoding="utf-8")
    done = told("profile", *words)
    assert (done.code, said in done.err) == (code, True), done.err
    assert "Traceback" not in done.err


def test_without_a_job_the_shipped_profiles_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GLASSTALLY_JOB", raising=False)
    rows = json.loads(glasstally("profile", "list", "--json").out)["profiles"]
    assert [row["name"] for row in rows] == ["comma-preamble", "semicolon-loss", "wide-slots"]
