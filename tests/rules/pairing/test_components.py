"""What an earlier pairing settled is taken over only where the same would be settled anew."""

from __future__ import annotations

import json
from dataclasses import replace
from random import Random

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st

from rules import pairing, tables
from rules.evaluation import Decisions, Plan
from rules.pairing import crews, grid, sites
from rules.settings import Settings
from tests.rules.pairing.test_properties import plan_of

AREAS, APART = 5, 6
"""Places where crews work, and panels from one to the next: some stay untested between them."""


def same(one: pairing.Pairing, other: pairing.Pairing) -> None:
    for name in ("pairs", "questions", "findings"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


class Job:
    """A job that changes, and the state of it that pairing is given."""

    def __init__(self, random: Random) -> None:
        self.random = random
        style = random.choice(["TR{0}-A-{1:02d}", "K{0:02d}{1:02d}", "B1-F2-R{0}-{1:02d}"])
        self.links = plan_of(panels=AREAS * APART, ports=6, style=style)
        own_meters, parts = random.random() < 0.7, []
        for area in random.sample(range(AREAS), random.choice([2, 3, AREAS])):
            first = area * APART * 6
            links = self.links.iloc[first : first + random.choice([2, 3, APART]) * 6]
            links = links.reset_index(drop=True)
            layout = grid.of_sites(sites.of_plan(links), links, pairs=False)
            rng = np.random.default_rng(random.randrange(10**6))
            table, _ = crews.work(layout, links, rng, random.choice([0.0, 0.1, 0.5, 0.9]))
            table = tables.spelled(table)
            number = pd.Series([f"{area}" for _ in range(len(table))], dtype="str")
            named = ["reading_id", "run_id", "dump_sha256"] + ["meter_serial"] * own_meters
            parts.append(table.assign(**{name: number + table[name] for name in named}))
        self.all = pd.concat(parts, ignore_index=True)
        self.runs = sorted(set(self.all["run_id"]))
        self.here = set(random.sample(self.runs, max(1, 2 * len(self.runs) // 3)))
        self.answers: list[dict[str, str]] = []
        self.acts: list[dict[str, str]] = []
        self.settings = Settings()
        self.asked = tables.empty(tables.QUESTIONS)

    def change(self) -> None:
        """Let something happen to the job."""
        some = self.random.sample(self.runs, min(2, len(self.runs)))
        link = self.random.choice(self.links["link_id"].to_list())
        what = self.random.choice(
            ["dump", "dump", "aside", "answer", "answer", "outside", "alias", "undo", "note",
             "repair", "plan", "settings", "asked", "value", "rows"]
        )  # fmt: skip
        if what == "dump":
            self.here |= set(some)
        elif what == "aside" and len(self.here) > 2:
            self.here -= set(some)
        elif what in ("answer", "outside", "asked") and len(self.asked):
            row = self.asked.iloc[self.random.randrange(len(self.asked))]
            option = json.loads(row["options"])[0]
            action = {"answer": "place", "outside": "leave-out", "asked": "ask-crew"}[what]
            self.answers.append(
                {"action": action, "reading_ids": row["reading_ids"], "who": "A", "argument": "B",
                 "link_ids": json.dumps(option.get("link_ids", [link]))}
            )  # fmt: skip
        elif what == "alias":
            argument = json.dumps(["A", link.rsplit("-", 1)[0]])
            self.answers.append({"action": "alias", "argument": argument, "who": "A"})
        elif what == "undo" and self.answers:
            self.answers.pop(self.random.randrange(len(self.answers)))
        elif what == "note":
            self.acts.append({"kind": "note", "subject": link, "argument": "skipped"})
        elif what == "repair":
            self.acts.append({"kind": "repair", "subject": link})
        elif what == "plan":
            at = self.random.randrange(len(self.links))
            self.links = self.links.drop(index=at).reset_index(drop=True)
        elif what == "settings":
            self.settings = replace(self.settings, pairing_tolerance=0.01)
        elif what == "value":
            at = self.random.randrange(len(self.all))
            self.all.loc[at, "loss_db"] = 3.0
        elif what == "rows":
            order = list(range(len(self.all)))
            self.random.shuffle(order)
            self.all = self.all.iloc[order].reset_index(drop=True)

    def pair(self, before: pairing.Memory | None) -> pairing.Pairing:
        working = self.all.loc[self.all["run_id"].isin(self.here)].reset_index(drop=True)
        decisions = Decisions(
            tables.conform(pd.DataFrame(self.answers), tables.ANSWERS),
            tables.conform(pd.DataFrame(self.acts), tables.ACTS),
        )
        made = pairing.pair(
            Plan(self.links), working, tables.empty(tables.RUNS), decisions, pairing.Parameters(),
            self.settings, before,
        )  # fmt: skip
        self.asked = made.questions
        return made


@trying(derandomize=True, max_examples=4, deadline=None)
@given(st.randoms(use_true_random=False))
def test_with_memory_or_without_the_result_is_the_same(random: Random) -> None:
    _hold(Job(random), random)


@pytest.mark.long
@trying(derandomize=True, max_examples=60, deadline=None)
@given(st.randoms(use_true_random=False))
def test_with_memory_or_without_in_many_jobs(random: Random) -> None:
    _hold(Job(random), random)


def _hold(job: Job, random: Random) -> None:
    """Change a job again and again, and compare pairing with a memory to pairing without."""
    memory = job.pair(None).memory
    for _ in range(5):
        job.change()
        with_memory, without = job.pair(memory), job.pair(None)
        same(with_memory, without)
        if random.random() < 0.8:
            memory = with_memory.memory
