"""Verify, rebuild and restore: what is kept is what was written, or the difference is named."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from ingest import (
    acts,
    blocks,
    blockwriter,
    compare,
    derive,
    intake,
    lock,
    originals,
    planload,
    rebuild,
    schema,
    store,
    verify,
)
from ingest.errors import BadInput, Damaged
from ingest.job import Job
from tests.ingest import sample


def damage(path: Path, place: int = 20, flip: int = 1) -> bytes:
    data = bytearray(path.read_bytes())
    data[place] ^= flip
    path.chmod(0o644)
    path.write_bytes(data)
    return bytes(data)


def chain(job: Job) -> Path:
    (path,) = job.journals.glob("*.jsonl")
    return path


def test_a_sound_job_is_proved_table_by_table(worked: Job) -> None:
    verdict = verify.verify(worked)
    assert (verdict.sound, verdict.compared, verdict.notes) == (True, True, [])
    assert (verdict.originals, verdict.entries) == (2, 5)
    assert list(worked.folder.glob(".part-*")) == []


def test_damage_to_an_original_is_named_and_mended_by_the_same_file(worked: Job) -> None:
    data = sample.dump(sample.labels(6))
    sha256 = originals.digest(data)
    damage(originals.path_of(worked.originals, sha256))
    verdict = verify.verify(worked, quick=True)
    (problem,) = verdict.problems
    assert problem.place == f"originals/{sha256[:2]}/{sha256} (monday.csv)"
    assert "not as it was received" in problem.found
    assert verdict.originals == 1
    with pytest.raises(Damaged):
        originals.read(worked.originals, sha256)
    intake.receive(worked, data, "monday.csv", "file")
    assert verify.verify(worked, quick=True).sound


def test_an_original_that_is_gone_is_named(worked: Job) -> None:
    sha256 = originals.digest(sample.dump(sample.labels(6)))
    originals.path_of(worked.originals, sha256).unlink()
    (problem,) = verify.verify(worked, quick=True).problems
    assert "is missing" in problem.found
    assert "take the same file again" in problem.remedy


def test_a_flipped_journal_byte_is_placed_and_the_mirror_restores_it(worked: Job) -> None:
    good = chain(worked).read_bytes()
    lines = good.splitlines(keepends=True)
    damage(chain(worked), len(lines[0]) + len(lines[1]) + 40)
    (problem,) = verify.verify(worked, quick=True).problems
    assert "entry 3" in problem.found
    assert problem.holds.startswith("entries 1 to 2 of this chain, up to 2026-03-06T08:")
    notes = verify.restore(worked)
    assert [note.split(":")[0] for note in notes[1:]] == [f"journal/{chain(worked).name}"]
    assert chain(worked).read_bytes() == good
    assert verify.verify(worked, quick=True).sound


def test_a_cut_tail_is_found_by_the_mirror(worked: Job) -> None:
    good = chain(worked).read_bytes()
    chain(worked).write_bytes(b"".join(good.splitlines(keepends=True)[:3]))
    (problem,) = verify.verify(worked, quick=True).problems
    assert problem.found == "the tail is cut after entry 3; the database knows 5 entries"
    verify.restore(worked)
    assert chain(worked).read_bytes() == good


def test_a_cut_tail_without_a_mirror_is_found_by_a_printed_head(worked: Job) -> None:
    old = verify.verify(worked, quick=True).head
    acts.note(worked, "1A.01", "later")
    new = verify.verify(worked, quick=True).head
    verdict = verify.verify(worked, head=old[:16], quick=True)
    assert verdict.sound
    assert verdict.notes[-1].startswith("The printed head is the job as of 2026-03-0")
    chain(worked).write_bytes(b"".join(chain(worked).read_bytes().splitlines(keepends=True)[:-1]))
    worked.store.unlink()
    assert verify.verify(worked, head=old, quick=True).sound
    (problem,) = verify.verify(worked, head=new, quick=True).problems
    assert problem.found == "no state of this journal has the printed head"


def test_a_changed_plan_file_is_named(worked: Job) -> None:
    (path,) = worked.plans.iterdir()
    damage(path)
    (problem,) = verify.verify(worked, quick=True).problems
    assert problem.place == "plan/0001-plan.csv"


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("reading", "UPDATE reading SET label = '1A.02' WHERE row = 1"),
        ("reading", "UPDATE reading SET loss_db = 0.4 WHERE row = 1"),
        ("derived_pairs", "UPDATE derived_block SET data = x'00' WHERE name = 'pairs'"),
        (
            "derived_pairs",
            "UPDATE derived_block SET first = '000000000000002' WHERE name = 'pairs'",
        ),
        ("derived_link_rows", "DELETE FROM derived_block WHERE name = 'link_rows'"),
        ("derived_link_states", "UPDATE derived_link_states SET failed = 1"),
        ("derived_test_states", "UPDATE derived_block SET data = x'00'"),
        ("derived_grades", "DELETE FROM derived_block WHERE name = 'grades'"),
        ("plan_columns", "UPDATE plan_columns SET data = substr(data, 1, 300)"),
        ("derived_completion", "UPDATE derived_completion SET accepted = accepted + 1"),
        ("reading_columns", "INSERT OR REPLACE INTO reading_columns VALUES (1, 0, x'00')"),
        ("entry", "UPDATE entry SET who = 'x' WHERE seq = 3"),
        ("dump", "UPDATE dump SET name = 'x' WHERE id = 1"),
        ("plan_link", "UPDATE plan_link SET length_m = 1 WHERE position = 1"),
        ("constant", "UPDATE constant SET meter_serial = 'x' WHERE dump = 1"),
        ("schema", "DROP TRIGGER reading_no_delete"),
    ],
)
def test_any_change_in_the_database_is_named(
    _worked: Path, tmp_path: Path, fresh: Path, table: str, change: str
) -> None:
    path = tmp_path / "changed.db"
    shutil.copy(_worked / "glasstally.db", path)
    with sqlite3.connect(path) as connection:
        triggers = connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall()
        for name, _ in triggers if table != "schema" else []:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(change)
        for _, sql in triggers if table != "schema" else []:
            connection.execute(sql)
    connection.close()
    found = verify._differences(path, fresh)
    assert found
    assert any(text.startswith(f"table {table}") for text in found)


def test_a_changed_grade_is_named(tmp_path: Path) -> None:
    """A panel tested whole has grades; the job of the other tests waits for answers."""
    job = sample.new_job(tmp_path / "job")
    (tmp_path / "plan.csv").write_text(sample.plan(6), "utf-8")
    planload.load(job, tmp_path / "plan.csv")
    (tmp_path / "monday.csv").write_bytes(sample.dump(sample.labels(6)))
    intake.take(job, [tmp_path / "monday.csv"])
    with closing(sqlite3.connect(job.store)) as connection, connection:
        grades = blocks.frame(connection, "grades")
        assert len(grades) == 6
        blockwriter.put(connection, "grades", grades.assign(grade="fail"))
    assert any("derived_grades" in str(problem) for problem in verify.verify(job).problems)


@pytest.fixture(scope="session")
def fresh(_worked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database derived anew from what the worked job keeps."""
    job = Job.open(_worked)
    kept = tmp_path_factory.mktemp("fresh") / "fresh.db"
    with rebuild.fresh(job) as path:
        shutil.copy(path, kept)
    return kept


def test_flipped_bytes_of_the_database_are_found_wherever_a_query_would_differ(
    _worked: Path, tmp_path: Path, fresh: Path
) -> None:
    good = (_worked / "glasstally.db").read_bytes()
    assert verify._differences(_worked / "glasstally.db", fresh) == []
    path = tmp_path / "flipped.db"
    rng = random.Random(7)
    found = 0
    written = [place for place in range(100, len(good)) if good[place]]
    for place in rng.sample(written, 60):
        data = bytearray(good)
        data[place] ^= 1 << rng.randrange(8)
        path.write_bytes(data)
        told = noticed(path, fresh)
        found += told
        assert told or everything(path) == everything(_worked / "glasstally.db"), place
    assert found > 20


def noticed(path: Path, fresh: Path) -> bool:
    try:
        with store.reader(path) as connection:
            said = [row[0] for row in connection.execute("PRAGMA integrity_check").fetchall()]
        return said != ["ok"] or bool(verify._differences(path, fresh))
    except Exception:  # noqa: BLE001 any refusal to read is a find
        return True


def everything(path: Path) -> Any:
    with sqlite3.connect(path) as connection:
        names = connection.execute(
            "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') ORDER BY name"
        ).fetchall()
        kept = {
            name: connection.execute(f'SELECT * FROM "{name}"').fetchall()
            for (name,) in names
            if name not in ("derived_block", "plan_columns")
        }
        whole = {name: list(blocks.rows(connection, name)) for name in schema.BLOCKS}
        return kept, whole, list(compare._plans(connection)[1])


def test_a_rebuild_comes_out_equal_and_takes_the_place_of_a_broken_database(worked: Job) -> None:
    assert rebuild.rebuild(worked) == rebuild.Outcome(True)
    worked.store.write_bytes(b"SQLite format 3\0" + b"x" * 5000)
    assert not verify.verify(worked, quick=True).sound
    outcome = rebuild.rebuild(worked)
    assert outcome.swapped
    assert outcome.reasons[0].startswith("the old database could not be read")
    assert verify.verify(worked).compared


def test_a_rebuild_that_differs_waits_for_consent(
    worked: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    from parsers.profiled import ProfileParser

    parse = ProfileParser.parse

    def otherwise(self: Any, dump: Any) -> Any:
        extract = parse(self, dump)
        extract.readings["loss_db"] += 0.1
        return extract

    monkeypatch.setattr(ProfileParser, "parse", otherwise)
    before = worked.store.read_bytes()
    outcome = rebuild.rebuild(worked)
    assert not outcome.swapped
    assert outcome.differences[0].startswith("readings: at reading_id")
    assert "loss_db was 0.5, is 0.6" in outcome.differences[0]
    assert worked.store.read_bytes() == before
    assert rebuild.rebuild(worked, accept=True).swapped


def test_a_rebuild_refuses_damaged_originals(worked: Job) -> None:
    (path,) = worked.plans.iterdir()
    damage(path)
    with pytest.raises(Damaged, match="not as it was loaded"):
        rebuild.rebuild(worked)
    assert verify.verify(worked, quick=True).problems
    assert list(worked.folder.glob(".part-*")) == []


def test_a_newer_database_is_refused_and_an_older_one_asks_for_upgrade(
    worked: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest import backup, schema

    with sqlite3.connect(worked.store) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(BadInput, match="newer than this program reads"):
        acts.note(worked, "1A.01", "x")
    with pytest.raises(BadInput, match="newer Glasstally"):
        backup.upgrade(worked)
    now = schema.VERSION
    with sqlite3.connect(worked.store) as connection:
        connection.execute(f"PRAGMA user_version = {now}")
    assert backup.upgrade(worked).startswith("Nothing to do")

    def next_one(database: Any) -> None:
        database.execute("CREATE TABLE added (x INTEGER) STRICT")

    monkeypatch.setattr(schema, "_MIGRATIONS", {**schema._MIGRATIONS, now + 1: next_one})
    monkeypatch.setattr(schema, "VERSION", now + 1)
    with pytest.raises(BadInput, match="run `glasstally upgrade`"):
        acts.note(worked, "1A.01", "x")
    assert backup.upgrade(worked).startswith(f"The database went from version {now} to {now + 1}")
    assert len(list(worked.folder.glob(f"before-upgrade-{now}-*.db"))) == 1
    assert store.version(worked.store) == now + 1


def _indexes(connection: sqlite3.Connection) -> set[str]:
    found = connection.execute("SELECT name FROM sqlite_master WHERE type = 'index'")
    return {name for (name,) in found if not name.startswith("sqlite_")}


def test_a_database_of_the_first_version_is_brought_up_with_its_indexes(worked: Job) -> None:
    from ingest import backup, schema

    with sqlite3.connect(worked.store) as connection:
        wanted = _indexes(connection)
        whole = connection.execute("SELECT * FROM readings").fetchall()
        for name in wanted:
            if name != "idx_entry_kind_at_laptop_seq" and not name.startswith(
                ("idx_dump", "idx_fault", "idx_context")
            ):
                connection.execute(f"DROP INDEX {name}")
        assert len(_indexes(connection)) < len(wanted)
        columns = connection.execute("SELECT * FROM reading_columns").fetchall()
        plans = connection.execute("SELECT * FROM plan_columns").fetchall()
        for name in ("reading_columns", "plan_columns", "derived_block"):
            connection.execute(f"DROP TABLE {name}")
        connection.execute("CREATE TABLE derived_grades (link_id TEXT)")
        connection.execute("PRAGMA user_version = 1")
    backup.upgrade(worked)
    with sqlite3.connect(worked.store) as connection:
        assert _indexes(connection) == wanted
        assert connection.execute("SELECT * FROM readings").fetchall() == whole
        assert connection.execute("SELECT * FROM reading_columns").fetchall() == columns
        assert connection.execute("SELECT * FROM plan_columns").fetchall() == plans
        left = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'derived_grades'")
        assert left.fetchone() is None
        for table in ("reading", "plan_link", *(f"derived_{n}" for n in schema.FOUND_BY_LINK)):
            assert any(table in name for name in wanted), table


def test_damaged_columns_of_a_dump_are_one_clear_message_and_a_rebuild_mends_them(
    worked: Job,
) -> None:
    with sqlite3.connect(worked.store) as connection:
        for act in ("update", "delete"):
            connection.execute(f"DROP TRIGGER reading_columns_no_{act}")
        connection.execute("UPDATE reading_columns SET data = substr(data, 1, 200)")
    with pytest.raises(Damaged, match=r"by column cannot be read .*glasstally rebuild"):
        derive.derive(worked)
    rebuild.rebuild(worked, accept=True)
    assert verify.verify(worked).sound


@pytest.mark.parametrize(
    ("sql", "scanned"),
    [
        ("SELECT v.* FROM reading r JOIN readings v ON v.reading_id = r.reading_id "
         "WHERE r.reading_id IN (SELECT value FROM json_each('[]'))", {"json_each"}),
        ("SELECT * FROM plan_link WHERE plan = '' AND link_id = ''", set()),
        ("SELECT * FROM derived_findings WHERE link_id = ''", set()),
        ("SELECT data FROM derived_block WHERE name = '' AND first <= '' ORDER BY first DESC "
         "LIMIT 1", set()),
    ],
)  # fmt: skip
def test_one_link_and_one_reading_are_found_without_reading_whole_tables(
    worked: Job, sql: str, scanned: set[str]
) -> None:
    """The queries of `status --link`, `questions ID` and the page, as sqlite plans them."""
    with store.reader(worked.store) as connection:
        steps = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}")]
    assert {step.split()[1] for step in steps if step.startswith("SCAN")} == scanned
    assert not [step for step in steps if "AUTOMATIC" in step]


@pytest.mark.parametrize(("kind", "about"), [("act", "subject"), ("answer", "question_id")])
def test_what_was_decided_of_one_subject_is_found_in_a_long_journal(
    worked: Job, kind: str, about: str
) -> None:
    sql = f"SELECT at FROM entry WHERE kind = '{kind}' AND json_extract(body, '$.{about}') = ''"
    with store.reader(worked.store) as connection:
        steps = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}")]
    assert steps == [f"SEARCH entry USING INDEX idx_entry_{about} (<expr>=?)"]


def test_backup_is_a_whole_job(worked: Job, tmp_path: Path) -> None:
    from ingest import backup

    target = backup.backup(worked, tmp_path / "copy")
    copy = Job.open(target)
    assert verify.verify(copy, quick=True).head == verify.verify(worked, quick=True).head
    again = backup.backup(worked, target)
    assert again.parent == target
    assert again.name.startswith("job-20260307-")
    with pytest.raises(BadInput, match="inside the job"):
        backup.backup(worked, worked.folder / "copy")
    assert list(tmp_path.glob(".part-*")) == []


def test_verify_waits_for_its_turn(worked: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    from ingest.errors import NotNow

    monkeypatch.setattr(lock, "WAIT_S", 0.05)
    with lock.held(worked.folder, "take", "now"), pytest.raises(NotNow):
        verify.verify(worked)
