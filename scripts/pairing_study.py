"""Measure the pairing on invented crews: precision, recall, questions, calibration, ablation.

    python scripts/pairing_study.py                judge: the table of DEVELOPERS.md
    python scripts/pairing_study.py --ablation     what each kind of evidence adds
    python scripts/pairing_study.py --held         what each rule holds back: right, wrong
    python scripts/pairing_study.py --curve        precision against recall, and the bound
    python scripts/pairing_study.py --tune         fit the shipped calibration (other crews)

Rules are looked at with --first-seed 1; seeds from 900 on are for judging alone.
Tuning uses the crews of `rules/pairing/crews.py`; judging those of `scripts/pairing_crews.py`,
written apart from them, on seeds that nothing was tuned on.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import pairing_crews as crews

from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.pairing import engine, fit, gate, records
from rules.settings import Settings

JUDGING_SEEDS = range(952, 955)
TURNS = 3
"""How often questions are answered and asked anew."""


@dataclass
class Score:
    """Figures of one job; `by_run` keeps what a bootstrap over runs needs."""

    by_run: pd.DataFrame
    """Per run: readings planned, paired, paired rightly."""
    bins: pd.DataFrame
    """Per reading with a place: confidence stated, right, run."""
    questions: int
    later: int
    """Questions that came up only after answers."""
    first_right: int
    after_paired: int
    after_right: int
    planned: int
    readings: int
    shifts: int
    shifts_found: int
    seconds: float


def judge(style: str, noise: str, seed: int, visits: int, parameters: pairing.Parameters) -> Score:
    """Pair one invented job, answer its questions truly where an option is true, pair again."""
    links, working, truth = crews.job(style, noise, seed, visits=visits)
    true_link = dict(zip(working["reading_id"], truth, strict=True))
    started = time.perf_counter()
    first = _pair(links, working, Decisions(), parameters)
    seconds = time.perf_counter() - started
    _, right = _answer(first.questions, true_link, links, working)
    second, later = _answered(first, links, working, true_link, parameters)
    pairs = first.pairs.assign(truth=first.pairs["reading_id"].map(true_link))
    pairs = pairs.merge(working[["reading_id", "run_id"]], on="reading_id")
    paired = pairs["status"] == "paired"
    good = paired & (pairs["link_id"] == pairs["truth"])
    by_run = pd.DataFrame(
        {"planned": pairs["truth"] != "", "paired": paired, "right": good}
    ).groupby(pairs["run_id"]).sum()  # fmt: skip
    end = second.pairs.assign(truth=second.pairs["reading_id"].map(true_link))
    after = end["status"] == "paired"
    return Score(
        by_run,
        pairs.assign(stated=pairs["confidence"], right=good)[["stated", "right", "run_id"]][paired],
        len(first.questions), later, right, int(after.sum()),
        int((after & (end["link_id"] == end["truth"])).sum()),
        int((pairs["truth"] != "").sum()), len(pairs),
        *_shifts(working, truth, first.questions, links), seconds,
    )  # fmt: skip


def _answered(
    first: pairing.Pairing, links: pd.DataFrame, working: pd.DataFrame, true_link: dict[str, str],
    parameters: pairing.Parameters,
) -> tuple[pairing.Pairing, int]:  # fmt: skip
    """Answer truly what can be answered, pair again, and so on for some turns.

    Returns the last pairing and the number of questions that answers brought up.
    """
    done, later = first, 0
    seen = set(first.questions["question_id"])
    given = [tables.empty(tables.ANSWERS)]
    acts = tables.empty(tables.ACTS)
    for _ in range(TURNS):
        answers, _ = _answer(done.questions, true_link, links, working)
        notes = _notes(done.questions, true_link, links, answers)
        new = notes[~notes["subject"].isin(acts["subject"])]
        if answers.empty and new.empty:
            break
        given.append(answers)
        acts = tables.conform(pd.concat([acts, new], ignore_index=True), tables.ACTS)
        every = tables.conform(pd.concat(given, ignore_index=True), tables.ANSWERS)
        done = _pair(links, working, Decisions(answers=every, acts=acts), parameters)
        later += len(set(done.questions["question_id"]) - seen)
        seen |= set(done.questions["question_id"])
    return done, later


def _pair(
    links: pd.DataFrame, working: pd.DataFrame, decisions: Decisions, p: pairing.Parameters
) -> pairing.Pairing:
    runs = tables.empty(tables.RUNS)
    return pairing.pair(Plan(links), working, runs, decisions, p, Settings())


def _answer(
    asked: pd.DataFrame, true_link: dict[str, str], links: pd.DataFrame, working: pd.DataFrame
) -> tuple[pd.DataFrame, int]:
    """Choose the option that is true for every reading, else a single label's link, or a room.

    Questions that neither settles stay open, as they would for a person at a desk.
    """
    label_of = dict(zip(working["reading_id"], working["label"], strict=True))
    panel_of = dict(zip(links["link_id"], links["cable"], strict=True))
    rows: list[dict[str, str]] = []
    right = 0
    for question in asked.itertuples():
        readings = json.loads(question.reading_ids)
        truth = [true_link[r] for r in readings]
        one = len({label_of[r] for r in readings}) == 1 and len(set(truth)) == 1 and truth[0]
        # whoever names the room of shortened labels names all their links
        room = question.code == "abbreviation" and len({panel_of.get(t, t) for t in truth}) == 1
        chosen = [{"action": "place", "link_ids": truth}] if one or (room and all(truth)) else []
        for number, option in enumerate([*json.loads(question.options), *chosen]):
            links = option.get("link_ids", [])
            true = (option["action"] == "place" and links == truth) or (
                option["action"] == "outside-plan" and not any(truth)
            )
            if not true:
                continue
            right += number == 0
            rows.append(
                {
                    "question_id": question.question_id, "action": option["action"],
                    "reading_ids": question.reading_ids, "link_ids": json.dumps(links),
                    "who": "truth",
                }
            )  # fmt: skip
            break
    return tables.conform(pd.DataFrame(rows, columns=list(tables.ANSWERS)), tables.ANSWERS), right


def _notes(
    asked: pd.DataFrame, true_link: dict[str, str], links: pd.DataFrame, answers: pd.DataFrame
) -> pd.DataFrame:
    """Let the crew say which ports it passed over in panels that are still in question."""
    measured = set(true_link.values())
    panel_of = dict(zip(links["link_id"], links["cable"], strict=True))
    open_ = asked[~asked["question_id"].isin(answers["question_id"])]
    where = {
        panel_of.get(true_link[r], "")
        for q in open_.itertuples()
        for r in json.loads(q.reading_ids)
    }
    skipped = [i for i in links["link_id"] if i not in measured and panel_of[i] in where]
    rows = [{"kind": "note", "subject": i, "argument": "skipped", "who": "truth"} for i in skipped]
    return tables.conform(pd.DataFrame(rows, columns=list(tables.ACTS)), tables.ACTS)


def _shifts(
    working: pd.DataFrame, truth: pd.Series, asked: pd.DataFrame, links: pd.DataFrame
) -> tuple[int, int]:
    """Count stretches of three records and more labelled one port off, and those asked as one."""
    ids = links["link_id"].to_list()
    place = {name: n for n, name in enumerate(ids)}
    rows = working.assign(truth=truth).drop_duplicates(["run_id", "record"])
    said = rows["label"].str.upper().str.replace(" ", "-").map(place)
    real = rows["truth"].map(place)
    off = said - real
    odd = off.abs().eq(1) & rows["run_id"].eq(rows["run_id"].shift(fill_value=""))
    stretch = (~odd).cumsum()
    question_of = {r: q.question_id for q in asked.itertuples() for r in json.loads(q.reading_ids)}
    total = found = 0
    for _, part in rows[odd].groupby(stretch[odd]):
        if len(part) < 3:
            continue
        total += 1
        asked_of = {question_of.get(r, "") for r in part["reading_id"]}
        found += len(asked_of) == 1 and "" not in asked_of
    return total, found


def bound(table: pd.DataFrame, top: str, bottom: str, low: bool = True) -> float:
    """Return a 95 % one-sided bound of a ratio by bootstrap over runs."""
    rng = np.random.default_rng(1)
    a, b = table[top].to_numpy(dtype=float), table[bottom].to_numpy(dtype=float)
    pick = rng.integers(0, len(a), (1000, len(a)))
    ratio = a[pick].sum(axis=1) / np.maximum(b[pick].sum(axis=1), 1)
    return float(np.quantile(ratio, 0.05 if low else 0.95))


def report(scores: Iterable[Score]) -> dict[str, float]:
    """Sum up the scores of one cell of the table."""
    scores = list(scores)
    runs = pd.concat([s.by_run for s in scores])
    total = runs.sum()
    asked = sum(s.questions for s in scores)
    shifts = sum(s.shifts for s in scores)
    return {
        "precision": total["right"] / max(total["paired"], 1),
        "bound": bound(runs, "right", "paired"),
        "recall": total["right"] / total["planned"],
        "after": sum(s.after_right for s in scores) / total["planned"],
        "precision after": sum(s.after_right for s in scores)
        / max(sum(s.after_paired for s in scores), 1),
        "asked": 1000 * asked / sum(s.readings for s in scores),
        "later": 1000 * sum(s.later for s in scores) / sum(s.readings for s in scores),
        "first": sum(s.first_right for s in scores) / max(asked, 1),
        "shifts": sum(s.shifts_found for s in scores) / max(shifts, 1),
        "shift count": shifts,
        "seconds": sum(s.seconds for s in scores) / len(scores),
    }


def main() -> None:
    """Run what the options ask for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=len(JUDGING_SEEDS))
    parser.add_argument("--first-seed", type=int, default=JUDGING_SEEDS.start)
    parser.add_argument("--visits", type=int, default=1)
    parser.add_argument("--styles", default=",".join(crews.STYLES))
    parser.add_argument("--noises", default=",".join(crews.NOISES))
    parser.add_argument("--ablation", action="store_true", help="what each evidence adds")
    parser.add_argument("--oracle", action="store_true", help="the engine told the true rates")
    parser.add_argument(
        "--held", action="store_true", help="what is held, why, and how right it is"
    )
    parser.add_argument("--curve", action="store_true", help="precision against recall, the bound")
    parser.add_argument("--tune", action="store_true", help="print a calibration for shipping")
    options = parser.parse_args()
    full = pairing.Parameters()
    if options.tune:
        _tune(options.seeds)
        return
    if options.held or options.curve:
        _look(options)
        return
    kinds = {"all": full}
    if options.ablation:
        kinds = {
            "label": replace(full, order=False, one_to_one=False, physics=False),
            "+ order": replace(full, shift=False, one_to_one=False, physics=False),
            "+ shift": replace(full, one_to_one=False, physics=False),
            "+ one-to-one": replace(full, physics=False),
            "+ physics": full,
        }
    bins = []
    for noise in options.noises.split(","):
        for style in options.styles.split(","):
            for name, parameters in kinds.items():
                seeds = range(options.first_seed, options.first_seed + options.seeds)
                told = _told(noise) if options.oracle else parameters
                scores = [judge(style, noise, s, options.visits, told) for s in seeds]
                bins += [s.bins.assign(seed=n) for n, s in enumerate(scores)]
                row = "  ".join(f"{k} {v:.4f}" for k, v in report(scores).items())
                print(f"{noise:7}{style:6}{name:13}{row}", flush=True)
    _calibration(pd.concat(bins))


def _told(noise: str) -> pairing.Parameters:
    """Return the true rates of the judging crews: a bound on what knowing them could add."""
    rate = crews.RATES[noise]
    counting = 0.6
    return pairing.Parameters(
        skip=rate.skip, slip_after_skip=counting * rate.slip_after_skip,
        slip=counting * rate.slip, notice=rate.notice, retest=rate.retest,
        wrong_panel=rate.wrong_panel, overrun=counting * rate.overrun,
    )  # fmt: skip


GOALS = {"low": 0.9995, "medium": 0.999, "high": 0.998}
"""Precision wanted of what is paired without asking."""


def _look(options: argparse.Namespace) -> None:
    """Print held records by reason, or the curve with its bound, for each cell of the table."""
    for noise in options.noises.split(","):
        for style in options.styles.split(","):
            seeds = range(options.first_seed, options.first_seed + options.seeds)
            told = _told(noise)
            own = evidence(style, noise, seeds, options.visits, pairing.Parameters())
            print(f"{noise} {style}: {len(own)} records", flush=True)
            if options.held:
                print(held(own).to_string(float_format="{:.4f}".format))
            if options.curve:
                knowing = evidence(style, noise, seeds, options.visits, told)
                print(curve(own).to_string(index=False, float_format="{:.4f}".format))
                print(
                    f"highest recall at precision {GOALS[noise]}, the strata's shares known: "
                    f"{hindsight(own, GOALS[noise]):.4f}; the crews' true rates known too: "
                    f"{hindsight(knowing, GOALS[noise]):.4f}",
                    flush=True,
                )


def evidence(
    style: str, noise: str, seeds: Iterable[int], visits: int, parameters: pairing.Parameters
) -> pd.DataFrame:
    """Return one row per record: planned, right, accepted, confidence, stratum, odds, objection."""
    made = []
    for seed in seeds:
        links, working, truth = crews.job(style, noise, seed, visits=visits)
        record_of = records.of_readings(working).record_of
        true_link = pd.Series(truth.to_numpy()).groupby(record_of).first()
        number = {name: n for n, name in enumerate(links["link_id"])}
        true = true_link.map(number).fillna(-1).to_numpy(dtype=np.int64)
        weighed = engine.weighed(Plan(links), working, Decisions(), parameters, Settings())
        for part in weighed:
            verdict = fit.judged(part, parameters, Settings())
            unit_of = np.full(len(links) + 1, -1)
            unit_of[part.grid.link] = np.arange(part.grid.units)
            unit = unit_of[true[part.rows]]
            made.append(
                pd.DataFrame(
                    {
                        "planned": unit >= 0,
                        "right": (part.unit == unit) & (unit >= 0),
                        "placed": part.unit >= 0,
                        "accepted": verdict.accepted,
                        "confidence": verdict.confidence,
                        "stratum": verdict.stratum,
                        "bits": gate.log_odds(part.p_unit),
                        "objection": verdict.objection,
                        "run": [f"{seed} {run}" for run in part.run_of.tolist()],
                    }
                )
            )
    return pd.concat(made, ignore_index=True)


def held(table: pd.DataFrame) -> pd.DataFrame:
    """Sum up by the first rule that holds records: how many, and right or wrong without it.

    `runs`: runs with a wrong one; errors come by runs. `share`: of the planned records, how much
    dropping the rule alone would add.
    """
    why = np.where(
        table["objection"] > 0,
        np.array(gate.OBJECTIONS, dtype=object)[table["objection"]],
        "confidence: " + np.array(gate.STRATA, dtype=object)[table["stratum"]],
    )
    why[table["accepted"].to_numpy()] = "(accepted)"
    out = table.groupby(why).agg(records=("right", "size"), right=("right", "sum"))
    out["wrong"] = out["records"] - out["right"]
    wrong = ~table["right"].to_numpy()
    out["runs"] = table[wrong].groupby(why[wrong])["run"].nunique().reindex(out.index, fill_value=0)
    out["share"] = out["right"] / table["planned"].sum()
    return out[out["share"] >= 0.002].sort_values("share", ascending=False)


def curve(table: pd.DataFrame) -> pd.DataFrame:
    """Return precision and recall of what no rule speaks against, by the least confidence."""
    free = table[table["objection"] == 0]
    rows = []
    for least in (0.9999, 0.9995, 0.999, 0.998, 0.995, 0.99, 0.98, 0.95, 0.9, 0.0):
        mine = free[free["confidence"] >= least]
        rows.append(
            {
                "confidence from": least,
                "precision": mine["right"].sum() / max(len(mine), 1),
                "recall": mine["right"].sum() / table["planned"].sum(),
            }
        )
    mine = table[table["placed"]]
    rows.append(
        {
            "confidence from": -1.0,
            "precision": mine["right"].mean(),
            "recall": mine["right"].sum() / table["planned"].sum(),
        }
    )
    return pd.DataFrame(rows)


def hindsight(table: pd.DataFrame, goal: float) -> float:
    """Return the recall of the best map from stratum and odds to acceptance for these very jobs.

    Cells of stratum, objection and odds are taken by their true share right, best first, as long
    as the precision of all taken reaches the goal. No map fitted on other jobs can do better.
    """
    cell = table.assign(bin=np.floor(table["bits"]))[table["placed"]]
    sums = cell.groupby(["stratum", "objection", "bin"])["right"].agg(["sum", "size"])
    sums["share"] = sums["sum"] / sums["size"]
    sums = sums.sort_values(["share", "size"], ascending=False)
    right, taken = sums["sum"].cumsum(), sums["size"].cumsum()
    good = (right / taken >= goal).to_numpy()
    return float(right[good].max() / table["planned"].sum()) if good.any() else 0.0


def _tune(seeds: int) -> None:
    """Fit the shipped calibration on the tuning crews over plans of every style."""
    found = []
    for style in crews.STYLES:
        for seed in range(seeds):
            links = crews.plan(style, 2000, np.random.default_rng([77, seed]))
            found.extend(fit.cases(Plan(links), pairing.Parameters(), Settings()))
    print("[calibration]")
    for name, knots in fit.calibration(found):
        print(f'"{name}" = [{", ".join(f"[{at:g}, {share:g}]" for at, share in knots)}]')


def _calibration(table: pd.DataFrame) -> None:
    edges = [0, 0.9, 0.99, 0.999, 0.9995, 0.9999, 1.0]
    table["bin"] = pd.cut(table["stated"], edges, include_lowest=True)
    shown = table.groupby("bin", observed=True).agg(
        readings=("right", "size"), stated=("stated", "mean"), right=("right", "mean"),
        runs=("run_id", "nunique"),
    )  # fmt: skip
    print(shown.to_string())


if __name__ == "__main__":
    main()
