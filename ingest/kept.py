"""Everything that is kept of a job, as `evaluate` takes it; the only caller of `evaluate`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import pandas as pd

from ingest import contradictions, memory, unclear
from ingest.contradictions import Contradiction
from ingest.errors import BadInput
from rules import limit_sets
from rules.evaluate import evaluate
from rules.evaluation import Decisions, Evaluation, Plan, RunSheets
from rules.limit_sets import LimitSet, LimitSetError
from rules.pairing import Parameters, explain
from rules.preparation import prepare
from rules.settings import Settings


@dataclass(frozen=True)
class Kept:
    """The arguments of `evaluate`, and what asks its own questions beside the rules."""

    plan: Plan
    stored: pd.DataFrame
    run_sheets: RunSheets
    sets: dict[str, LimitSet]
    decided: Decisions
    parameters: Parameters
    settings: Settings
    as_of: str
    contrary: list[Contradiction]
    undecided: list[dict[str, Any]]
    job_id: str = ""
    """Of the job, the same on every laptop that has a copy."""

    def evaluated(self) -> Evaluation:
        """Run the rules and add the questions that only the store knows of."""
        made = evaluate(
            self.plan, self.stored, self.run_sheets, self.sets, self.decided, self.parameters,
            self.settings, self.as_of, memory.give_back,
        )  # fmt: skip
        memory.give_back()
        questions = contradictions.ask(made.questions, self.contrary)
        return replace(made, questions=unclear.ask(questions, self.undecided, self.decided))

    def explained(self, reading_ids: Sequence[str]) -> list[dict[str, Any]]:
        """Return the evidence by which some readings were paired (`pairing.explain`)."""
        working = prepare(self.stored, self.run_sheets, self.decided, self.settings).working
        return explain(
            self.plan, working, self.decided, self.parameters, self.settings, reading_ids
        )


def sets_from(texts: Mapping[str, str]) -> dict[str, LimitSet]:
    """Return every limit set by name: the shipped ones and the job's own, given as TOML by file.

    Raises BadInput for a set that cannot be used.
    """
    sets = dict(limit_sets.load())
    for file, text in texts.items():
        try:
            own = limit_sets.read_set(text, sets)
        except LimitSetError as error:
            raise BadInput(*(f"limits/{file}: {line}" for line in str(error).split("\n"))) from None
        sets[own.name] = own
    return sets


def parameters_from(values: Mapping[str, Any]) -> Parameters:
    """Make pairing parameters out of JSON values; what this version does not know is dropped."""
    known = {field.name for field in fields(Parameters)}
    kept: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in values.items()
        if name in known
    }
    return Parameters(**kept)
