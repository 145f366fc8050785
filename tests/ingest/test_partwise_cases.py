"""Small jobs in which something reaches from one region into another."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import pytest

from ingest import acts, intake, planload, sheets, store, verify
from ingest.job import Job
from tests.ingest import sample

PORTS = 12
ROOMS = (
    "KORVALBAN", "QUILPOTE", "HEMZARDU", "SIMETUDI", "OFFENBRY", "TULSIGAM", "PLOGHERTY",
    "BRUNKELTO", "YVESHOLM", "WUNDAXIQ", "GIXXOPAR", "CRAPENTI", "JAFFRENO",
)  # fmt: skip
"""Panels in order; a crew in one of them may have gone on to the next, but to no further one."""
KOR, SIM, PLO, WUN, JAF = ROOMS[::3]


class Small:
    """A job of a cable per panel, into which dumps come."""

    def __init__(self, folder: Path, names: Sequence[str] = ROOMS) -> None:
        rows = [
            f"{room}.{port:02d},OM3,{50 + port},2,{room}P:{port},{room}Q:{port},C{room},inside,850"
            for room in names
            for port in range(1, PORTS + 1)
        ]
        head = "link_id,fibre_type,length_m,connections,a_end,b_end,cable,environment,wavelengths"
        self.folder = folder
        (folder / "plan.csv").write_text("\n".join([head, *rows, ""]), "utf-8")
        self.job: Job = sample.new_job(folder / "job")
        planload.load(self.job, folder / "plan.csv")

    def take(self, name: str, data: bytes) -> str:
        (self.folder / name).write_bytes(data)
        (receipt,) = intake.take(self.job, [self.folder / name])
        return receipt.sha256

    def first(self, sha256: str) -> list[str]:
        """Return the id of the first reading of a dump."""
        sql = "SELECT reading_id FROM reading r JOIN dump d ON d.id = r.dump WHERE sha256 = ?"
        with store.reader(self.job.store) as connection:
            return list(connection.execute(f"{sql} ORDER BY row", (sha256,)).fetchone())

    def holds(self) -> None:
        verdict = verify.verify(self.job)
        assert verdict.compared, verdict
        assert verdict.sound, verdict.problems


def labels(room: str, lost: int = 0) -> list[str]:
    """Name the links of a panel, the last ones by a panel that the plan lacks."""
    ports = range(1, PORTS + 1)
    return [f"{'SIMXTUDI' if port > PORTS - lost else room}.{port:02d}" for port in ports]


def before(others: Sequence[bytes], room: str, left_out: int = 0) -> bytes:
    """Write a dump of a panel whose hash, and so its region, comes before others."""
    least = min(hashlib.sha256(other).hexdigest() for other in others)
    kept = [label for label in labels(room) if label != f"{room}.{left_out:02d}"]
    made = (sample.dump(kept, 0.5 + step / 100, meter="MA-1") for step in range(100))
    return next(one for one in made if hashlib.sha256(one).hexdigest() < least)


def test_a_link_to_be_tested_again_by_an_answer_about_other_readings(tmp_path: Path) -> None:
    site = Small(tmp_path, (KOR, SIM, PLO, WUN))
    one = site.take("one.csv", sample.dump(labels(KOR)))
    site.take("other.csv", sample.dump(labels(SIM), meter="MA-2", day=3))
    links = [f"{SIM}.03", f"{WUN}.03"]
    done = acts.answer(site.job, "outlier-1", "retest", site.first(one), links, why="dirty")
    site.holds()
    acts.undo(site.job, done, "a mistake")
    site.holds()


def test_a_confirmed_limit_set_called_as_a_link_is(tmp_path: Path) -> None:
    site = Small(tmp_path, (KOR, SIM))
    plan = tmp_path / "plan.csv"
    plan.write_text(plan.read_text("utf-8").replace(f"{SIM}.02", "tia-568.3-d"), "utf-8")
    planload.load(site.job, plan)
    site.take("one.csv", sample.dump(labels(KOR)))
    acts.confirm_limit(site.job, "tia-568.3-d", why="compared")
    site.holds()


def test_a_sheet_that_names_a_dump_by_the_name_it_gets_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = Small(tmp_path, (KOR, SIM))
    data = sample.dump(labels(KOR))
    site.take("late.csv", data)
    site.take("other.csv", sample.dump(labels(SIM), meter="MA-2", day=3))
    made = sheets._body

    def without_meter(*given: object) -> object:
        body, wrong = made(*given)  # type: ignore[arg-type]
        body["sheet"]["meter_serial"] = ""
        return body, wrong

    monkeypatch.setattr(sheets, "_body", without_meter)
    sheets.add(site.job, {"sheet": "S1", "meter": "MA", "dump": "early.csv", "meter_end": "b"})
    site.holds()
    site.take("early.csv", data)
    site.holds()


def test_a_note_taken_back_while_an_earlier_region_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = Small(tmp_path)
    gappy = sample.dump([x for x in labels(SIM) if x != f"{SIM}.05"], meter="MA-2", day=3)
    one = site.take("one.csv", before([gappy], KOR, left_out=5))
    site.take("gappy.csv", gappy)
    acts.note(site.job, f"{WUN}.01", "no way in", argument="skipped")
    done = acts.note(site.job, f"{SIM}.05", "no way in", argument="skipped")
    with monkeypatch.context() as patch:
        patch.setattr(acts, "refresh", lambda job: None)
        acts.undo(site.job, done, "a mistake")
    acts.answer(site.job, "outlier-1", "ask-crew", site.first(one))
    site.holds()


def test_a_name_that_the_plan_lacks_and_an_earlier_region_that_knew_more_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = Small(tmp_path)
    typed = [
        sample.dump(labels(room, lost), meter=f"MA-{lost}{room[0]}", day=day)
        for room, lost, day in ((WUN, 2, 3), (JAF, 2, 4), (PLO, 1, 5))
    ]
    site.take("wun.csv", typed[0])
    jaf = site.take("jaf.csv", typed[1])
    one = site.take("one.csv", before(typed, KOR))
    acts.set_aside(site.job, jaf, why="of another job")
    with monkeypatch.context() as patch:
        patch.setattr(acts, "refresh", lambda job: None)
        acts.answer(site.job, "outlier-1", "ask-crew", site.first(one))
    site.take("plo.csv", typed[2])
    site.holds()
