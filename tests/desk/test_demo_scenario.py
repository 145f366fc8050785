"""The invented job is what it says it is: repeatable, complete, plausible, and known to the row."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pandas as pd
import pytest

from desk.demo import Made, bulk, make, physics
from desk.demo.papers import COLUMNS
from desk.demo.visits import COPIES, VISITS


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("demo"), seed=1)


def test_same_seed_same_bytes_and_another_seed_other_values(made: Made, tmp_path: Path) -> None:
    again, other = make(tmp_path / "again", seed=1), make(tmp_path / "other", seed=2)
    for first, second in zip(
        (made.plan, made.plan_workbook, made.run_sheets, made.truth_file, *made.dumps),
        (again.plan, again.plan_workbook, again.run_sheets, again.truth_file, *again.dumps),
        strict=True,
    ):
        assert first.read_bytes() == second.read_bytes(), first.name
    assert made.dumps[0].read_bytes() != other.dumps[0].read_bytes()


def test_plan_has_six_hundred_links_that_are_all_different(made: Made) -> None:
    plan = pd.read_csv(made.plan, dtype="str")
    book = pd.read_excel(made.plan_workbook, engine="calamine", dtype="str")
    assert len(plan) == 600
    assert plan["link_id"].is_unique
    assert set(plan["building"]) == {"Weir house", "Kiln house"}
    assert set(plan["fibre_type"]) == {"OM3", "OM4", "OS2"}
    assert book["link_id"].tolist() == plan["link_id"].tolist()
    assert book["a_end"].tolist() == plan["a_end"].tolist()


def test_truth_names_the_line_that_each_reading_stands_on(made: Made) -> None:
    lines = {path.name: path.read_text(encoding="cp1252").splitlines() for path in made.dumps}
    texts = [
        lines[name][line - 1]
        for name, line in zip(made.truth["dump_name"], made.truth["line"], strict=True)
    ]
    rows = made.truth.assign(text=texts)
    named = rows[rows["kind"] != "reference"]
    assert all(label in text for label, text in zip(named["label"], named["text"], strict=True))
    single = rows[~rows["dump_name"].str.contains("meter-c")]
    assert all(
        str(nm) in text for nm, text in zip(single["wavelength_nm"], single["text"], strict=True)
    )
    assert not rows.duplicated(["dump_name", "line", "wavelength_nm"]).any()


def test_levels_in_the_dump_give_the_true_loss(made: Made) -> None:
    """Loss is reference minus received level in dB (the definition of attenuation)."""
    path = next(path for path in made.dumps if path.name == "meter-a-monday.csv")
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    true = made.truth.query("dump_name == 'meter-a-monday.csv' and kind == 'link'")
    for line, loss in zip(true["line"], true["loss_db"], strict=True):
        reference, level, stored = (float(cell) for cell in rows[line - 1][5:8])
        assert stored == pytest.approx(reference - level, abs=0.0051)
        assert stored == pytest.approx(loss, abs=0.0051)


def test_losses_of_sound_links_are_those_of_good_work(made: Made) -> None:
    plan = pd.read_csv(made.plan).set_index("link_id")
    touched = {
        link
        for fault in made.faults
        if fault.code in ("dirty", "dirty-then-cleaned", "bend", "dark", "reference-moved")
        for link in fault.links
    }
    sound = made.truth[(made.truth["kind"] == "link") & ~made.truth["link_id"].isin(touched)]
    joined = sound.join(plan, on="link_id")
    alpha = [
        physics.COEFFICIENT_DB_PER_KM[key]
        for key in zip(joined["fibre_type"], joined["wavelength_nm"], strict=True)
    ]
    glass = alpha * joined["length_m"] / 1000
    rest = joined["loss_db"] - glass
    low = 2 * physics.MATED_PAIR_DB[0] + joined["splices"] * physics.SPLICE_DB[0]
    high = 2 * physics.MATED_PAIR_DB[1] + joined["splices"] * physics.SPLICE_DB[1]
    spread = 5 * (physics.DIRECTION_SPREAD_DB + physics.REPEAT_SPREAD_DB)
    assert (rest > low - spread).all()
    assert (rest < high + spread).all()


def test_every_fault_of_the_job_is_planted_once_and_found_in_the_truth(made: Made) -> None:
    codes = {fault.code for fault in made.faults}
    assert codes == {
        "shifted-run", "wrong-prefix", "abbreviated", "swapped-keys", "look-alike",
        "leading-zero", "reference-moved", "reference-stale", "no-meter-end", "retest",
        "clock-reset",
        "dirty", "dirty-then-cleaned", "bend", "dark", "outside-plan", "missing-ports",
        "missing-direction",
    }  # fmt: skip
    for fault in made.faults:
        if fault.labels and fault.links:
            rows = made.truth[made.truth["sheet"] == fault.sheet]
            assert set(fault.labels) <= set(rows["label"])
            assert set(fault.links) <= set(rows["link_id"])
    shifted = next(fault for fault in made.faults if fault.code == "shifted-run")
    assert shifted.labels[-1] == "W0C-49"
    assert shifted.links[-1] == "W0C-48"
    missing = {
        link for fault in made.faults if fault.code == "missing-ports" for link in fault.links
    }
    assert missing.isdisjoint(made.truth["link_id"])


def test_a_memory_not_cleared_repeats_its_rows_and_a_copy_its_bytes(made: Made) -> None:
    by_name = {path.name: path for path in made.dumps}
    for copy, original in COPIES.items():
        assert by_name[copy].read_bytes() == by_name[original].read_bytes()
    monday = by_name["meter-a-monday.csv"].read_text(encoding="utf-8").splitlines()
    friday = by_name["meter-a-friday.csv"].read_text(encoding="utf-8").splitlines()
    assert friday[: len(monday) - 1] == monday[:-1]
    repeated = made.truth[made.truth["repeat"]]
    assert set(repeated["dump_name"]) == {"meter-a-friday.csv"}
    assert len(repeated) == len(made.truth.query("dump_name == 'meter-a-monday.csv'"))


def test_run_sheets_have_the_agreed_columns_and_one_does_not_say_the_end(made: Made) -> None:
    with made.run_sheets.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == len(VISITS)
    assert [row["sheet"] for row in rows if not row["meter_end"]] == ["S16"]
    clockless = [row for row in rows if row["meter"] == "MC-7719"]
    assert all(row["dump"] and row["first_slot"].isdigit() for row in clockless)


def test_truth_file_holds_what_make_returns(made: Made) -> None:
    kept = json.loads(made.truth_file.read_text(encoding="utf-8"))
    assert len(kept["readings"]) == len(made.truth)
    assert [fault["code"] for fault in kept["faults"]] == [fault.code for fault in made.faults]


@pytest.mark.parametrize(("readings", "dumps"), [(10_000, 1), (1_001, 3), (1, 1)])
def test_bulk_writes_exactly_the_readings_asked_for(
    tmp_path: Path, readings: int, dumps: int
) -> None:
    made = bulk.write(tmp_path, readings, dumps=dumps)
    rows = [
        row
        for path in made.dumps
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines()[7:-1])
    ]
    plan = pd.read_csv(made.plan)
    assert len(rows) == readings == made.rows
    assert len(plan) == made.links
    assert {row[1] for row in rows} <= set(plan["link_id"])
    assert len({(row[1], row[3], row[4]) for row in rows}) == readings
    assert all(
        float(row[7]) == pytest.approx(float(row[5]) - float(row[6]), abs=0.006) for row in rows
    )


def test_bulk_mistypes_the_share_of_labels_asked_for(tmp_path: Path) -> None:
    clean = bulk.write(tmp_path / "clean", 4_000).dumps[0].read_text(encoding="utf-8")
    slipped = (
        bulk.write(tmp_path / "slipped", 4_000, slips=0.05).dumps[0].read_text(encoding="utf-8")
    )
    changed = sum(a != b for a, b in zip(clean.splitlines(), slipped.splitlines(), strict=True))
    assert 0.02 < changed / 4_000 < 0.08
