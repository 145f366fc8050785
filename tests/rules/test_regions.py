"""What belongs together in a job, and whose each finding is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from rules import (
    causes,
    checks,
    division,
    limits,
    pairing,
    parts,
    preparation,
    regions,
    suspicions,
    tables,
)
from rules.checks import referencing
from rules.division import Owners
from rules.evaluation import Decisions, Plan
from rules.pairing import Parameters
from rules.parts import Part
from rules.scope import CONCERNED
from rules.settings import Settings
from tests.rules import clean_job, injector


def links(*rows: dict[str, object]) -> pd.DataFrame:
    return tables.conform(
        pd.DataFrame([{"position": n, **row} for n, row in enumerate(rows, 1)]), tables.LINKS
    )


def cells(plan: pd.DataFrame) -> list[int]:
    return regions.cells(pairing.Ground(Plan(plan), Parameters(), Settings())).tolist()


def end(name: str, port: int, **more: object) -> dict[str, object]:
    return {"link_id": f"{name}-{port}", "a_end": f"{name}:{port}", "b_end": f"Z{port}:1"} | more


def test_links_of_one_panel_or_one_cable_are_one_cell() -> None:
    assert cells(links(end("A", 1, cable="K1"), end("A", 2, cable="K2"))) == [0, 0]
    assert cells(links(end("A", 1, cable="K1"), end("B", 1, cable="K1"))) == [0, 0]
    assert cells(links(end("A", 1, cable="K1"), end("B", 1, cable="K2"))) == [0, 1]
    chain = [end("A", 1, cable="K1"), end("C", 1, cable="K2"), end("A", 2, cable="K2")]
    assert cells(links(*chain)) == [0, 0, 0]


def test_without_a_cable_the_two_panels_are_one() -> None:
    one = end("A", 1) | {"b_end": "B:1"}
    other = {"link_id": "X", "a_end": "C:1", "b_end": "D:1", "cable": "A / B"}
    assert cells(links(one, other)) == [0, 0]


def test_pairs_of_one_name_are_counted_together() -> None:
    halves = [end("A", 1, pair="7", pair_position="1"), end("B", 1, pair="7", pair_position="2")]
    assert cells(links(*halves)) == [0, 0]


def held(*rows: tuple[str, str, str]) -> pd.DataFrame:
    made = [(dump, f"{dump}.csv", meter, source) for dump, meter, source in rows]
    return pd.DataFrame(made, columns=list(regions.CARRIED))


def sheet(**values: object) -> pd.DataFrame:
    return tables.conform(pd.DataFrame([{"sheet_id": "S", **values}]), tables.RUN_SHEETS)


def together(dumps: pd.DataFrame, sheets: pd.DataFrame) -> list[set[str]]:
    found = regions.grouped(regions.of_dumps(dumps, sheets))
    return sorted((set(by.get("dump", ())) for by in found), key=sorted)


def test_dumps_that_share_a_meter_a_source_or_a_sheet_belong_together() -> None:
    none = tables.empty(tables.RUN_SHEETS)
    assert together(held(("a", "M1", ""), ("b", "M2", ""), ("c", "M1", "")), none) == [
        {"a", "c"}, {"b"},
    ]  # fmt: skip
    assert together(held(("a", "M1", "S1"), ("b", "M2", "S1")), none) == [{"a", "b"}]
    assert together(held(("a", "", ""), ("b", "", "")), none) == [{"a", "b"}]
    two = held(("aaaaaa11", "M1", ""), ("bbbbbb22", "M2", ""))
    assert together(two, sheet(dump="aaaaaa", meter_serial="M2")) == [{"aaaaaa11", "bbbbbb22"}]
    assert together(two, sheet(dump="bbbbbb22.csv", source_serial="S9")) == [
        {"aaaaaa11"}, {"bbbbbb22"},
    ]  # fmt: skip


def judged(*names: str) -> tuple[Part, Owners]:
    """Judge a job of two meters with faults, and say which region holds what."""
    job, _ = injector.plant(clean_job.make(3), 3, *names)
    stored = tables.conform(job.stored, tables.STORED)
    ready = preparation.prepare(stored, job.sheets, job.decisions, job.settings)
    parameters = Parameters()
    paired = pairing.pair(
        job.plan, ready.working, ready.runs, job.decisions, parameters, job.settings
    )
    part = parts.judge(
        job.plan, ready, paired, job.sheets, limits.load(), job.decisions, job.settings,
        lambda: None,
    )  # fmt: skip
    meter = dict(zip(job.stored["dump_sha256"], job.stored["meter_serial"], strict=True))
    sheets = job.sheets.sheets
    number = {"M-21": 0, "M-34": 1}
    owners = Owners(
        job.plan,
        {dump: number[serial] for dump, serial in meter.items()},
        dict(zip(sheets["sheet_id"], sheets["meter_serial"].map(number), strict=True)),
        (job.plan.links["fibre_type"] == "OM4").to_numpy().astype("int64"),
    )
    return part, owners


def test_everything_in_a_part_is_somebodys() -> None:
    part, owners = judged("73 outlier", "24 clock reset", "40 reference step")
    found = division.divide(part, owners)
    assert found is not None
    for name, whole in (
        ("run", part.runs),
        ("finding", part.findings),
        ("wide", part.wide.findings),
    ):
        assert len(found[name]) == len(whole)
        assert set(found[name]["region"]) <= {0, 1}
    both = found["completion"].drop(columns="region")
    jobs = both.loc[both["scope"] == "job", "planned"]
    assert sorted(jobs) == sorted(np.bincount(found["planned"]["region"]))


def test_what_is_nobodys_makes_one_region_of_all() -> None:
    part, owners = judged("73 outlier")
    strange = part.findings.head(1).assign(
        finding_id="F0", reading_id="", run_id="", link_id="", cable="", dump_sha256="",
        meter_serial="", sheet_id="",
    )  # fmt: skip
    odd = replace(part, findings=pd.concat([part.findings, strange], ignore_index=True))
    assert division.divide(odd, owners) is None
    found = division.divide(odd, replace(owners, link=owners.link * 0), sole=True)
    assert found is not None
    assert set(found["finding"]["region"]) == {0}


def test_what_is_asked_once_is_asked_of_all_parts_together() -> None:
    part, _ = judged("24 clock reset")
    wide = part.wide.findings.head(0)
    one = pd.concat([wide, part.findings.head(1)])[list(wide)].assign(
        code="limit-below-uncertainty", severity="check", question_id="", run_id="",
        dump_sha256="", cable="", meter_serial="", reading_id="",
    )  # fmt: skip
    nothing = tables.empty(CONCERNED)
    several = [causes.Wide(one.assign(subject=f"link {n}"), nothing) for n in "ABC"]
    findings, questions = causes.ask_wide(several, clean_job.make(3).decisions)
    assert len(findings) == 3
    (question,) = questions["question_id"]
    assert set(findings["question_id"]) == {question}


def test_a_meter_without_a_serial_number_keeps_symptoms_with_their_cause() -> None:
    working = pd.DataFrame(
        {"reading_id": ["d.1", "d.2"], "run_id": "R", "dump_sha256": "d", "meter_serial": "",
         "wavelength_nm": 850, "order": [1, 2], "duplicate_of": ""}
    )  # fmt: skip
    runs = pd.DataFrame({"run_id": ["R"], "meter_serial": [""]})
    found = suspicions.join(
        suspicions.found("method-changed", subject="run R", run_id="R", message="m"),
        suspicions.found(
            "loss-negative", subject="reading", run_id="R", reading_id="d.2", message="n"
        ),
    )
    findings, questions, wide = causes.group(found, working, runs, Decisions())
    (question,) = questions["question_id"]
    assert question.startswith("method-changed")
    assert set(findings["question_id"]) == {question}
    assert wide.findings.empty


def test_a_method_is_compared_with_the_jobs_or_else_with_the_meters_usual_one() -> None:
    job = clean_job.make(3)

    def methods(of_run: dict[str, int], agreed: int) -> set[str]:
        runs = tables.conform(
            pd.DataFrame(
                [{"run_id": run, "meter_serial": run[0], "readings": 10, "reference_method": m}
                 for run, m in of_run.items()]
            ),
            tables.RUNS,
        )  # fmt: skip
        settings = replace(job.settings, cords=replace(job.settings.cords, reference_method=agreed))
        context = checks.Context(
            job.plan, tables.empty(tables.READINGS), runs, job.sheets,
            tables.empty(tables.PAIRS), Decisions(), settings,
        )  # fmt: skip
        return set(referencing.method_changed(context)["run_id"])

    seen = {"A1": 1, "A2": 1, "A3": 2, "B1": 3, "B2": 3, "B3": 0}
    assert methods(seen, 0) == {"A3"}
    assert methods(seen, 1) == {"A3", "B1", "B2"}
