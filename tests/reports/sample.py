"""An invented, seeded evaluation with particulars: what reports need to be tried on.

Everything is made up: sites, people, serial numbers, values. The coefficients only make the
numbers plausible; grading itself is proved elsewhere.
"""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pandas as pd

from reports.particulars import Certificate, Dump, Entry, LimitNote, Particulars
from rules import completion, retests, tables
from rules.evaluation import Evaluation, Plan
from rules.settings import Cords, Instrument, Settings

AS_OF = "2026-11-20T16:40:00Z"
NM = {"OM3": (850, 1300), "OS2": (1310, 1550)}
COEFFICIENT = {850: 3.0, 1300: 1.5, 1310: 0.4, 1550: 0.4}
GREEK, CYRILLIC = "Αίθουσα Β", "Щитовая 2"


def links(count: int, seed: int = 1) -> pd.DataFrame:
    """Lay out `count` links in cables of 24 over two buildings, walking panels in port order."""
    rng = np.random.default_rng(seed)
    n = np.arange(count)
    cable, strand = n // 24, n % 24 + 1
    building = np.where(cable % 4 < 3, "North Hall", "Harbour House")
    single = cable % 3 == 2
    area = np.array(["Riser", "Level 1", GREEK, CYRILLIC])[cable % 4]
    frame = pd.DataFrame(
        {
            "link_id": [f"C{c + 1:03d}-{s:02d}" for c, s in zip(cable, strand, strict=True)],
            "kind": "link",
            "cable": [f"C{c + 1:03d}" for c in cable],
            "building": building,
            "floor": [f"L{c % 5}" for c in cable],
            "area": area,
            "route": "tray 4",
            "a_end": [f"PA{c + 1:03d}:{s:02d}" for c, s in zip(cable, strand, strict=True)],
            "b_end": [f"PB{c + 1:03d}:{s:02d}" for c, s in zip(cable, strand, strict=True)],
            "tube": [str((s - 1) // 12 + 1) for s in strand],
            "strand": [str(s) for s in strand],
            "fibre_type": np.where(single, "OS2", "OM3"),
            "environment": "inside",
            "length_m": np.round(rng.uniform(40, 900, cable.max() + 1), 1)[cable],
            "length_source": "schedule",
            "connections": 2.0 + 2 * (cable % 2),
            "splices": (cable % 3).astype(float),
            "wavelengths": np.where(single, "1310 1550", "850 1300"),
            "directions": "both",
            "position": n + 1,
        }
    )
    return tables.conform(frame, tables.LINKS)


def evaluation(count: int = 40, seed: int = 1) -> Evaluation:
    """Make an evaluation of `count` links x 2 wavelengths x 2 directions with all that goes wrong.

    Failures, marginal results, a missing link, a blocked one, a waived one, superseded failures,
    an open question and a text that looks like a formula are all in it.
    """
    rng = np.random.default_rng(seed)
    plan = links(count, seed)
    planned = _planned(plan)
    wide = planned.merge(plan.drop(columns=["kind", "position"]), on="link_id")
    nm = wide["wavelength_nm"]
    limit = (
        wide["length_m"] / 1000 * nm.map(COEFFICIENT) + 0.3 * 2
        + 0.75 * (wide["connections"] - 2) + 0.3 * wide["splices"]
    ).round(3)  # fmt: skip
    loss = (limit * rng.uniform(0.35, 0.8, len(wide))).round(3)
    loss = loss.mask(rng.random(len(wide)) < 0.012, (limit + 0.35).round(3))
    loss.iloc[2] = round(limit.iloc[2] + 0.004, 3)
    loss.iloc[5] = limit.iloc[5]
    state = pd.Series("accepted", index=wide.index, dtype="str")
    uncertainty = pd.Series(np.where(nm >= 1310, 0.186, 0.268), index=wide.index)
    state = state.mask(loss > limit, "failed")
    last, before, third = plan["link_id"].iloc[[-1, -2, -3]]
    state = state.mask(wide["link_id"] == last, "missing")
    state = state.mask(wide["link_id"] == before, "blocked")
    state = state.mask((wide["link_id"] == third) & (wide["direction"] == "b-a"), "doubtful")
    waived = plan["link_id"].iloc[-4]
    state = state.mask(wide["link_id"] == waived, "waived")
    measured = state.isin(("accepted", "failed", "doubtful"))
    graded = state.isin(("accepted", "failed"))

    rid = pd.Series([f"r{i:07d}" for i in range(len(wide))], index=wide.index)
    day = 17 + (np.arange(len(wide)) * 3 // max(len(wide), 1))
    seconds = (np.arange(len(wide)) * 9) % 28000
    clock = [
        f"2026-11-{d:02d}T{8 + s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}+01:00"
        for d, s in zip(day, seconds, strict=True)
    ]
    run = [f"R{d - 16}{w[0].upper()}" for d, w in zip(day, wide["direction"], strict=True)]
    meter = np.where(wide["direction"] == "a-b", "MA-1001", "MB-2002")
    readings = pd.DataFrame(
        {
            "reading_id": rid, "dump_sha256": np.where(wide["direction"] == "a-b", *_SHAS),
            "dump_name": np.where(wide["direction"] == "a-b", "north.csv", "=cmd.csv"),
            "line": np.arange(len(wide)) + 10, "record": np.arange(len(wide)) // 2 + 1,
            "slot": np.arange(len(wide)) // 2 + 1, "label": wide["link_id"], "fibre_position": 0,
            "wavelength_nm": nm, "wavelength_printed": nm.astype("str"),
            "direction": wide["direction"], "quantity": "attenuation",
            "reference_dbm": -20.05, "power_dbm": (-20.05 - loss).round(3), "loss_db": loss,
            "state": "ok", "clock": clock, "taken_at": clock,
            "taken_at_utc": [_utc(c) for c in clock], "clock_state": "ok",
            "clock_resolution_s": 1, "order_basis": "clock", "meter_serial": meter,
            "source_serial": "S-77", "operator": "A. Berg", "run_id": run, "parser": "comma 1",
        }
    ).loc[measured]  # fmt: skip
    old = readings.head(3).assign(
        reading_id=["o1", "o2", "o3"],
        loss_db=limit.head(3) + 0.42,
        taken_at="2026-11-16T09:00:00+01:00",
        taken_at_utc="2026-11-16T08:00:00Z",
        run_id="R0A",
    )
    readings = tables.conform(pd.concat([readings, old], ignore_index=True), tables.READINGS)

    margin = (limit - loss).round(3)
    grades = pd.DataFrame(
        {
            "link_id": wide["link_id"], "kind": wide["kind"], "wavelength_nm": nm,
            "direction": wide["direction"], "reading_ids": [json.dumps([r]) for r in rid],
            "loss_db": loss, "power_dbm": np.nan, "limit_db": limit, "margin_db": margin,
            "uncertainty_db": uncertainty,
            "p_conform": (1 / (1 + np.exp(-margin / uncertainty * 3.4))).round(6),
            "grade": np.where(margin >= 0, "pass", "fail"),
            "marginal": (margin.abs() <= uncertainty), "limit_name": "cabling-2018",
            "clause": "8.4.2", "limit_confirmed": False, "reference_method": 1,
            "cord_grade": "reference",
        }
    )  # fmt: skip
    gone = grades.head(3).assign(
        grade="superseded", reading_ids=['["o1"]', '["o2"]', '["o3"]'],
        loss_db=limit.head(3) + 0.42, margin_db=-0.42, marginal=False,
    )  # fmt: skip
    grades = tables.conform(pd.concat([grades[graded], gone], ignore_index=True), tables.GRADES)
    pairs = readings.assign(
        link_id=readings["label"], kind="link", status="paired", how="exact", confidence=1.0,
        reason="label equals the plan's",
    )  # fmt: skip
    states = tables.conform(
        wide.assign(
            state=state,
            why=state.map(
                {
                    "accepted": "", "failed": "over the limit", "missing": "no reading",
                    "blocked": "blocked: ceiling closed", "waived": "waived: spare, agreed on site",
                    "doubtful": "a question proposes a reading",
                }
            ),
            reading_id=rid.where(measured, ""),
            grade=grades_of(state),
        ),
        tables.TEST_STATES,
    )  # fmt: skip
    runs = (
        readings.groupby(["run_id", "meter_serial"], as_index=False)
        .agg(
            started_at=("taken_at", "min"), ended_at=("taken_at", "max"), readings=("line", "size")
        )
        .assign(
            source_serial="S-77", people="A. Berg, C. Dahl", meter_end="b", cords="K1 K2",
            cord_grade="reference", reference_method=1, assumed="cord_grade", sheet_id="",
        )
        .drop_duplicates("run_id")
    )  # fmt: skip
    findings = pd.DataFrame(
        [
            ("f1", "limit-unconfirmed", "check", "job", "", "", "", "A limit is unconfirmed.",
             "Compare with your copy and confirm it.", ""),
            ("f2", "direction-difference", "check", f"link {third}", third, "R1A", "",
             "The two directions differ by 0.61 dB.", "Clean both ends and measure again.", "q1"),
            ("f3", "clock-resolution", "note", "run R1A", "", "R1A", "",
             "The clock shows minutes only.", "Nothing to do.", ""),
        ],
        columns=list(tables.FINDINGS),
    )  # fmt: skip
    questions = pd.DataFrame(
        {
            "question_id": ["q1"], "code": ["unmatched-labels"], "readings": [2],
            "message": ["Two readings carry a label that no planned link has."],
            "proposal": [f"Place them on {third}"], "state": ["open"],
            "options": [json.dumps([{"action": "place", "link_id": third}])],
        }
    )  # fmt: skip
    balance = pd.DataFrame(
        {
            "dump_sha256": _SHAS, "dump_name": ["north.csv", "=cmd.csv"],
            "read": [len(readings), 4], "paired": [len(readings), 0], "question": [0, 2],
            "outside_plan": [0, 1], "duplicate": [0, 1],
        }
    )  # fmt: skip
    return Evaluation(
        as_of=AS_OF,
        plan=Plan(plan, 3),
        planned=planned,
        readings=readings,
        runs=tables.conform(runs, tables.RUNS),
        pairs=tables.conform(pairs, tables.PAIRS),
        findings=tables.conform(findings, tables.FINDINGS),
        questions=tables.conform(questions, tables.QUESTIONS),
        limits=tables.empty(tables.LIMIT_ROWS),
        grades=grades,
        test_states=states,
        completion=completion.count(states, plan),
        retests=retests.make(states, plan, tables.empty(tables.ANSWERS)),
        balance=tables.conform(balance, tables.BALANCE),
    ).spelled()


def grades_of(state: pd.Series) -> pd.Series:
    """Name the grade that belongs to a test state."""
    return state.map({"accepted": "pass", "failed": "fail"}).fillna("")


def particulars(revision: int = 1, **changes: object) -> Particulars:
    """Make the particulars that go with `evaluation`."""
    values: dict[str, object] = {
        "job": "North Hall backbone",
        "customer": "Harbour Trust",
        "site": "Quay Road 4",
        "contractor": "Light & Line Crew",
        "settings": settings(),
        "as_of": AS_OF,
        "revision": revision,
        "job_head": hashlib.sha256(b"head").hexdigest(),
        "limits": (
            LimitNote(
                "cabling-2018", "Cabling standard of the contract", "2018", "clause 8.4", False
            ),
        ),
        "dumps": (
            Dump(_SHAS[0], "north.csv", ("north.csv",), "2026-11-20T15:00:00Z", 51_200),
            Dump(_SHAS[1], "=cmd.csv", ("=cmd.csv", "copy.csv"), "2026-11-20T15:05:00Z", 49_000),
        ),
        "entries": (
            Entry("2026-11-19T09:00:00Z", "C. Dahl", "repair", "C001-01", "connector replaced"),
            Entry("2026-11-20T16:30:00Z", "C. Dahl", "waiver", "C002-13", "spare, agreed on site"),
        ),
        "certificates": (Certificate("MA-1001", "certificates/MA-1001.txt", "ab" * 32),),
        "plan_change": "17 added, 4 dropped",
    }
    return Particulars(**(values | changes))  # type: ignore[arg-type]


def settings() -> Settings:
    """Make the job's settings as the reader of job.toml would."""
    return Settings(
        name="North Hall backbone", customer="Harbour Trust", site="Quay Road 4",
        timezone="Europe/Oslo", limits=("cabling-2018",), directions="both",
        cords=Cords("reference", 1),
        instruments=(
            Instrument("MA-1001", "meter", "meter A", "2026-03-02", "2027-03-02", 0.1),
            Instrument("MB-2002", "meter", "meter B", "2025-09-30", "2026-09-30", 0.1),
            Instrument("S-77", "source", "source A", "2026-03-02", "2027-03-02"),
        ),
    )  # fmt: skip


_SHAS = [hashlib.sha256(name).hexdigest() for name in (b"north", b"harbour")]


def _planned(plan: pd.DataFrame) -> pd.DataFrame:
    nm = pd.DataFrame(plan["wavelengths"].str.split(" ").tolist()).stack().droplevel(1)
    rows = plan.join(nm.astype("int64").rename("wavelength_nm"))
    both = pd.concat([rows.assign(direction=way) for way in ("a-b", "b-a")])
    both = both.sort_values(["position", "wavelength_nm", "direction"], ignore_index=True)
    return tables.conform(both, tables.PLANNED)


def _utc(local: str) -> str:
    return f"{local[:11]}{int(local[11:13]) - 1:02d}{local[13:19]}Z"
