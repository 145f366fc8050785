"""`portfolio` against pandas on the same files, and against folders as people hand them in."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from ingest import collected, export, portfolio, portfolio_sql, sets
from ingest.errors import BadInput
from ingest.job import Job
from tests.desk.spoken import command

pytest.importorskip("duckdb")

TODAY, WITHIN = date(2027, 3, 20), 40
WEARING = "cord pair B"


@pytest.fixture(scope="module")
def exported(demo_job: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented job as `export all` writes it."""
    folder = tmp_path_factory.mktemp("exported")
    export.write_all(Job.open(demo_job), "parquet", folder)
    return folder


@pytest.fixture
def company(exported: Path, tmp_path: Path) -> Path:
    """Three jobs: the invented one, one of another crew, one as the open data of a handover."""
    first, second, third = (
        Path(shutil.copytree(exported, tmp_path / "company" / name))
        for name in ("first", "second [2*]", "third/handover/0002/data")
    )
    change(second, "job", lambda t: t.assign(job_id="second", name="the second job"))
    change(
        second,
        "runs",
        lambda t: t.assign(
            people=t["people"].where(t.index % 2 == 0, ""), meter_serial="MX-1", cords=WEARING
        ),
    )
    change(
        second,
        "readings",
        lambda t: t.assign(
            operator="Invented", taken_at_utc=later(t), reference_dbm=t["reference_dbm"] - 0.5
        ),
    )
    change(second, "grades", lambda t: t.assign(margin_db=t["margin_db"] - 0.2))
    change(
        second, "findings", lambda t: t.assign(code=t["code"].mask(t["run_id"] != "", "cord-wear"))
    )
    change(second, "instruments", lambda t: t.assign(due="2027-01-31"))
    for name in ("job", "instruments"):
        (third / f"{name}.parquet").unlink()
    (third.parent / sets.REVISION).write_text(json.dumps({"revision": 2, "scope": ["job", "job"]}))
    return first.parent  # fmt: skip


def change(folder: Path, table: str, how: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    path = folder / f"{table}.parquet"
    how(pd.read_parquet(path)).to_parquet(path, index=False)


def later(readings: pd.DataFrame) -> pd.Series:
    """Move the clocks of half of the runs by six weeks, so that levels have a trend."""
    odd = readings["run_id"].map(hash_text) % 2 == 1
    moved = (pd.to_datetime(readings["taken_at_utc"]) + pd.Timedelta(days=42)).dt.strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
    return readings["taken_at_utc"].mask(odd & (readings["taken_at_utc"] != ""), moved)


def hash_text(text: str) -> int:
    return sum(map(ord, text))


class Frames:
    """The same tables in pandas, with the folder of each row."""

    def __init__(self, folders: list[Path]) -> None:
        self.folders = folders
        self.jobs = len(folders)
        self.completion = self.read("completion").query("scope == 'job'")
        self.readings = self.read("readings")
        self.grades = self.read("grades")
        self.findings = self.read("findings")
        self.register = self.read("instruments")
        self.run = self.runs()
        failing = self.grades[self.grades["margin_db"] < 0]
        failing = failing.assign(reading_id=failing["reading_ids"].map(json.loads)).explode(
            "reading_id"
        )
        self.failed = failing[["folder", "link_id", "grade", "reading_id"]].merge(
            self.readings[["folder", "reading_id", "run_id"]], on=["folder", "reading_id"]
        )

    def read(self, table: str) -> pd.DataFrame:
        frames = [
            pd.read_parquet(path).assign(folder=str(folder))
            for folder in self.folders
            if (path := folder / f"{table}.parquet").is_file()
        ]
        return pd.concat(frames, ignore_index=True)

    def runs(self) -> pd.DataFrame:
        """One row per run with who, what with, how much and how long."""
        made = self.readings.assign(
            result=self.readings["quantity"].isin(["attenuation", "power"])
            & (self.readings["duplicate_of"] == "")
        )

        def first(texts: pd.Series) -> str:
            return min((text for text in texts if text), default="")

        rows = (
            made.groupby(["folder", "run_id"], as_index=False)
            .agg(
                operator=("operator", first),
                meter=("meter_serial", first),
                source=("source_serial", first),
                readings=("reading_id", "size"),
                results=("result", "sum"),
                last_at=("taken_at_utc", "max"),
            )
            .merge(self.read("runs"), on=["folder", "run_id"], how="left", suffixes=("", "_paper"))
        )
        for name, paper in (
            ("crew", "people"),
            ("meter", "meter_serial"),
            ("source", "source_serial"),
        ):
            own = rows["operator"] if name == "crew" else rows[name]
            rows[name] = rows[paper].fillna("").mask(lambda t: t == "", own)
        return rows.fillna({"cords": ""})  # fmt: skip


@pytest.fixture
def both(company: Path) -> tuple[portfolio.Portfolio, Frames]:
    found = portfolio.summarise([company], TODAY, WITHIN)
    assert not found.problems
    return found, Frames([Path(row["folder"]) for row in found.jobs])


def by(rows: list[dict[str, Any]], *keys: str) -> dict[Any, dict[str, Any]]:
    """Rows by their key, so that no order is compared."""
    return {tuple(row[key] for key in keys): row for row in rows}


def test_completion_of_each_job_and_of_all(both: tuple[portfolio.Portfolio, Frames]) -> None:
    found, frames = both
    assert [row["name"] for row in found.jobs].count("the second job") == 1
    assert "third" in {row["name"] for row in found.jobs}
    for name in ("planned", "measured", "accepted", "failed", "doubtful", "links_ready"):
        sums = frames.completion.groupby("folder")[name].sum().to_dict()
        assert {row["folder"]: row[name] for row in found.jobs} == sums
        assert found.total[name] == frames.completion[name].sum()
    done = frames.completion[["accepted", "waived"]].to_numpy().sum()
    assert found.total["percent"] == 100 * done // frames.completion["planned"].sum()
    assert found.total["readings"] == len(frames.readings)
    assert {r["folder"]: r["readings"] for r in found.jobs} == (
        frames.readings.groupby("folder").size().to_dict()
    )


def test_failures_by_what_was_tested(both: tuple[portfolio.Portfolio, Frames]) -> None:
    found, frames = both
    verdicts = frames.grades[frames.grades["grade"].isin(["pass", "fail"])]
    keys = ["kind", "fibre_type", "wavelength_nm"]
    expected = verdicts.groupby(keys)["margin_db"].agg(["size", lambda m: (m < 0).sum(), "min"])
    got = by(found.failures, *keys)
    assert set(got) == set(expected.index)
    for key, (results, failing, worst) in zip(
        expected.index, expected.itertuples(index=False, name=None), strict=True
    ):
        assert (got[key]["results"], got[key]["failing"]) == (results, failing), key
        assert got[key]["worst_margin_db"] == pytest.approx(worst, abs=5e-4)
    assert sum(row["failing"] for row in found.failures) > 20


def test_causes_stand_beside_the_links_that_fail(
    both: tuple[portfolio.Portfolio, Frames],
) -> None:
    found, frames = both
    live = frames.failed[frames.failed["grade"] != "superseded"]
    got = by(found.causes, "code", "severity")
    counts = frames.findings.groupby(["code", "severity"])
    assert {key: row["findings"] for key, row in got.items()} == counts.size().to_dict()
    assert {key: row["jobs"] for key, row in got.items()} == counts["folder"].nunique().to_dict()
    met = 0
    for (code, severity), row in got.items():
        same = (frames.findings["code"] == code) & (frames.findings["severity"] == severity)
        its = frames.findings[same]
        links = live.merge(its[["folder", "link_id"]], on=["folder", "link_id"])
        wide = its[(its["link_id"] == "") & (its["run_id"] != "")]
        runs = live.merge(wide[["folder", "run_id"]], on=["folder", "run_id"])
        either = pd.concat([links, runs])[["folder", "link_id"]].drop_duplicates()
        assert row["failing_links"] == len(either), code
        met += len(either)
    assert met > 0


def test_crews(both: tuple[portfolio.Portfolio, Frames]) -> None:
    found, frames = both
    got = by(found.crews, "crew")
    assert set(got) == {(crew,) for crew in frames.run["crew"]}
    assert ("Invented",) in got, "where the paper names nobody the meter's own name stands"
    failed = frames.failed.merge(frames.run[["folder", "run_id", "crew"]], on=["folder", "run_id"])
    found_on = frames.findings[frames.findings["severity"] != "note"].merge(
        frames.run[["folder", "run_id", "crew"]].query("run_id != ''"), on=["folder", "run_id"]
    )
    for crew, rows in frames.run.groupby("crew"):
        row = got[(crew,)]
        its = failed.query("crew == @crew")
        failing = len(its[["folder", "reading_id"]].drop_duplicates())
        days = set(rows["last_at"].str[:10]) - {""}
        expected = (rows["folder"].nunique(), len(rows), len(days), rows["readings"].sum(),
                    rows["results"].sum(), failing, (found_on["crew"] == crew).sum())  # fmt: skip
        assert tuple(row[key] for key in ("jobs", "runs", "days", "readings", "results", "failing",
                                          "run_findings")) == expected, crew  # fmt: skip


def test_instruments_due_over_all_jobs(both: tuple[portfolio.Portfolio, Frames]) -> None:
    found, frames = both
    due = frames.register.groupby("serial")["due"].max()
    uses = pd.concat([
        frames.run.assign(serial=frames.run["meter"]),
        frames.run[frames.run["meter"] != frames.run["source"]].assign(
            serial=lambda t: t["source"]),
    ]).query("serial != ''").groupby("serial")  # fmt: skip
    got = {row["serial"]: row for row in found.instruments}
    assert set(got) == set(due.index) | set(uses.groups)
    for serial, row in got.items():
        until = due.get(serial, "")
        assert row["due"] == until
        last = uses["last_at"].max().str[:10].get(serial, "")
        assert (row["last_used"], row["used_after_due"]) == (last, bool(until) and last > until)
        assert row["readings"] == uses["readings"].sum().get(serial, 0)
        if not until:
            assert (row["state"], row["days_left"]) == ("unknown", None)
            continue
        days = (date.fromisoformat(until) - TODAY).days
        state = "overdue" if days < 0 else "due" if days <= WITHIN else "fine"
        assert (row["days_left"], row["state"]) == (days, state)
    assert {"overdue", "due", "fine", "unknown"} == {row["state"] for row in found.instruments}


def test_cords_wearing_out_over_all_jobs(both: tuple[portfolio.Portfolio, Frames]) -> None:
    found, frames = both
    got = by(found.cords, "cords")
    named = frames.run[frames.run["cords"] != ""]
    assert set(got) == {(cords,) for cords in named["cords"]}
    worn = frames.findings[frames.findings["code"].isin(portfolio_sql.WEAR)].merge(
        named[["folder", "run_id", "cords"]], on=["folder", "run_id"]
    )
    levels = frames.readings.dropna(subset="reference_dbm").merge(
        named[["folder", "run_id", "cords", "meter", "source"]], on=["folder", "run_id"]
    )
    keys = ["folder", "run_id", "cords", "meter", "source", "wavelength_nm"]
    points = levels.groupby(keys, as_index=False).agg(
        level=("reference_dbm", "mean"), at=("taken_at_utc", "max")
    ).query("at != ''")  # fmt: skip
    points["day"] = pd.to_datetime(points["at"]).dt.tz_localize(None).astype(
        "datetime64[s]").astype("int64") / 86400  # fmt: skip
    slopes: dict[str, list[float]] = {}
    for (cords, *_), rows in points.groupby(["cords", "source", "meter", "wavelength_nm"]):
        span = rows["day"].max() - rows["day"].min()
        if len(rows) >= portfolio_sql.TREND_RUNS and span >= portfolio_sql.TREND_DAYS:
            slope = rows["day"].cov(rows["level"]) / rows["day"].var()
            slopes.setdefault(cords, []).append(slope * 30.4375)
    assert slopes, "the sample must have a trend"
    for (cords,), row in got.items():
        rows = named[named["cords"] == cords]
        assert (row["runs"], row["results"]) == (len(rows), rows["results"].sum())
        assert row["wear_findings"] == (worn["cords"] == cords).sum()
        if cords in slopes:
            assert row["reference_db_per_month"] == pytest.approx(min(slopes[cords]), abs=1e-3)
        else:
            assert row["reference_db_per_month"] is None
        steep = min(slopes.get(cords, [0.0])) < -portfolio_sql.WEAR_DB_PER_MONTH
        assert row["wearing"] == (row["wear_findings"] > 0 or steep)
    assert got[(WEARING,)]["wearing"]


def test_a_damaged_file_is_named_and_the_rest_is_counted(company: Path) -> None:
    whole = portfolio.summarise([company], TODAY)
    cut = company / "second [2*]" / "findings.parquet"
    cut.write_bytes(cut.read_bytes()[:-9])
    inside = company / "first" / "readings.parquet"
    data = bytearray(inside.read_bytes())
    data[4 : len(data) // 2] = bytes(len(data) // 2 - 4)
    inside.write_bytes(bytes(data))
    found = portfolio.summarise([company], TODAY)
    assert {problem.file for problem in found.problems} == {str(cut), str(inside)}
    assert all("damaged" in problem.why for problem in found.problems)
    assert found.total["planned"] == whole.total["planned"]
    assert found.total["readings"] == whole.total["readings"] * 2 / 3
    code, text = command("portfolio", company, "--on", TODAY.isoformat())
    assert code == 1
    assert str(cut) in text and "export the job again" in text
    assert "3 jobs" in text


def test_a_table_of_another_form_is_named(company: Path) -> None:
    change(company / "first", "grades", lambda t: t.drop(columns="margin_db"))
    (problem,) = portfolio.summarise([company], TODAY).problems
    assert problem.file.endswith("grades.parquet") and "margin_db" in problem.why


def test_copies_and_older_or_partial_handovers_count_once(company: Path) -> None:
    before = portfolio.summarise([company], TODAY).total
    older = Path(shutil.copytree(company / "first", company / "laptop two"))
    change(older, "job", lambda t: t.assign(as_of="2020-01-01T00:00:00Z"))
    data = company / "third" / "handover" / "0002" / "data"
    for number, scope in ((1, "job"), (3, "building")):
        other = data.parent.parent / f"{number:04d}"
        shutil.copytree(data, other / "data")
        (other / sets.REVISION).write_text(json.dumps({"revision": number, "scope": [scope, "x"]}))
    found = portfolio.summarise([company], TODAY)
    assert found.total == before
    assert [re.sub(r".*company/", "", note.replace("\\", "/")) for note in found.notes] == [
        f"{company}/third/handover/0001/data: an older handover of the same job; not counted."
        .replace("\\", "/").split("company/", 1)[1],
        "third/handover/0003: a part of a job (building); not counted.",
        "first; not counted.",
    ]  # fmt: skip


@pytest.mark.parametrize("holds", ["nothing", "job", "parquet"])
def test_a_folder_without_exports_says_how_to_make_them(
    exported: Path, tmp_path: Path, holds: str
) -> None:
    if holds == "job":
        (tmp_path / "weir").mkdir()
        (tmp_path / "weir" / "job.toml").write_text("format = 1\n")
    if holds == "parquet":
        shutil.copy(exported / "readings.parquet", tmp_path)
    with pytest.raises(BadInput) as told:
        portfolio.summarise([tmp_path], TODAY)
    text = str(told.value)
    assert "export all --format parquet" in text and collected.LAST in text
    assert ("weir" in text) == (holds == "job")
    assert ("cut off" in text) == (holds == "parquet")
    with pytest.raises(BadInput, match="is no folder"):
        portfolio.summarise([tmp_path / "gone"], TODAY)


def test_the_command_prints_every_section_and_the_same_as_json(company: Path) -> None:
    code, text = command("portfolio", company, "--on", TODAY.isoformat(), "--within", WITHIN)
    assert code == 0, text
    for said in ("3 jobs", "the second job", "Crews", "MX-1", WEARING, "cord-wear", "overdue"):
        assert said in text, said
    code, text = command("portfolio", company, "--on", TODAY.isoformat(), "--json")
    value = json.loads(text)
    assert code == 0 and set(portfolio.SECTIONS) <= set(value)
    assert value["total"]["jobs"] == 3 and value["on"] == TODAY.isoformat()
    code, text = command("portfolio", company.parent / "gone")
    assert code == 2
