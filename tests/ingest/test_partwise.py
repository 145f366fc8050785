"""A job kept up to date region by region holds what evaluating the whole of it gives."""

from __future__ import annotations

from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest
from hypothesis import Phase, given
from hypothesis import settings as trying
from hypothesis import strategies as st

from desk.demo import bulk
from ingest import acts, changes, intake, partwise, planload, sheets, store, verify, views
from tests.ingest import sample

TRIED = (Phase.explicit, Phase.generate)
"""What fails is told by its random numbers as it is: making it smaller would take minutes."""


class Site:
    """A job in which crews go on, and the office with them: each change is drawn at random."""

    def __init__(self, folder: Path, random: Random) -> None:
        self.random, self.folder = random, folder
        made = bulk.write(folder / "made", 1_400, dumps=3, slips=0.02, crews=3, seed=4)
        self.job = sample.new_job(folder / "job")
        planload.load(self.job, made.plan)
        self.waiting = [*made.dumps, *self._others(made.dumps)]
        random.shuffle(self.waiting)
        self.links: list[str] = []
        self.done: list[str] = []
        self.taken: list[str] = []

    def _others(self, dumps: tuple[Path, ...]) -> list[Path]:
        """Write dumps of crews that measured again what the first ones had, one without serial."""
        out = []
        for number, path in enumerate(dumps[:2]):
            text = path.read_text("utf-8").replace("2026-01-05", f"2026-02-0{number + 3}")
            meter = "Meter unit,MA-77" if number else "Meter unit,"
            head, _, tail = text.partition("Meter unit,MA-9001")
            out.append(self.folder / f"again-{number}.csv")
            out[-1].write_text(head + meter + tail, "utf-8")
        return out

    def change(self) -> None:
        """Do one thing that changes results."""
        things = [self.dump, self.aside, self.answer, self.note, self.undo, self.sheet, self.waive]
        weights = [6 if self.waiting else 0, 1, 4, 1, 1, 1, 1]
        self.random.choices(things, weights)[0]()

    def dump(self) -> None:
        for _ in range(min(len(self.waiting), self.random.choice((1, 1, 3)))):
            (receipt,) = intake.take(self.job, [self.waiting.pop()])
            self.taken.append(receipt.sha256)
        with store.reader(self.job.store) as connection:
            self.links = planload.newest(connection)[1]["link_id"].to_list()[::7]

    def aside(self) -> None:
        if self.taken:
            one = self.random.choice(self.taken)
            states = {row["sha256"]: row["state"] for row in views.dumps(self.job)}
            move = acts.bring_back if states[one] == "set-aside" else acts.set_aside
            move(self.job, one, why="tried")

    def answer(self) -> None:
        asked = views.questions(self.job, "open")
        if not asked:
            return
        one = self.random.choice(asked[:20])
        ids = one["reading_ids"]
        option = self.random.choice(one["options"])
        links = option.get("link_ids") or [option.get("link_id", "")]
        if len(links) != len(ids):
            links = [links[0]] * len(ids) if links[0] else []
        action = option["action"] if option["action"] in acts.ACTIONS else "ask-crew"
        if action == "place" and not links:
            action = "outside-plan"
        self.done.append(
            acts.answer(
                self.job, one["question_id"], action, ids, links if action == "place" else [],
                argument=str(option.get("argument", "")), why="as the crew says",
            )
        )  # fmt: skip

    def note(self) -> None:
        if self.links:
            link, how = self.random.choice(self.links), self.random.choice(("skipped", "blocked"))
            self.done.append(acts.note(self.job, link, "no way in", argument=how))

    def waive(self) -> None:
        if self.links:
            (done,) = acts.waive(self.job, [self.random.choice(self.links)], why="not built")
            self.done.append(done["act_id"])

    def undo(self) -> None:
        if self.done:
            id_ = self.done.pop(self.random.randrange(len(self.done)))
            acts.undo(self.job, id_, "a mistake")

    def sheet(self) -> None:
        meter = self.random.choice(("MA-9001", "MA-9011", "MA-0"))
        sheets.add(
            self.job,
            {"sheet": f"S{self.random.randrange(5)}", "meter": meter, "people": "Okafor",
             "cords": "one cord, reference grade"},
        )  # fmt: skip


def _hold(random: Random) -> None:
    with TemporaryDirectory() as name, pytest.MonkeyPatch.context() as patch:
        patch.setattr(changes, "TOGETHER", random.choice((1, 500, 250_000)))
        patch.setattr(partwise, "CHUNK", random.choice((100, 16_384)))
        site = Site(Path(name), random)
        site.dump()
        for _ in range(5):
            site.change()
        verdict = verify.verify(site.job)
        assert verdict.compared, verdict
        assert verdict.sound, verdict.problems


@trying(derandomize=True, max_examples=4, deadline=None, phases=TRIED)
@given(st.randoms(use_true_random=False))
def test_a_job_that_changes_holds_what_the_whole_gives(random: Random) -> None:
    _hold(random)


@pytest.mark.long
@trying(derandomize=True, max_examples=80, deadline=None, phases=TRIED)
@given(st.randoms(use_true_random=False))
def test_many_jobs_that_change_hold_what_the_whole_gives(random: Random) -> None:
    _hold(random)
