"""Fit the pairing parameters to a job and journal them."""

from __future__ import annotations

from ingest import planload, readings, sheets
from ingest.decisions import decisions
from ingest.derive import refresh
from ingest.job import Job
from ingest.session import writing
from rules.evaluation import Plan
from rules.pairing import Parameters
from rules.pairing.fit import as_json, fit
from rules.preparation import prepare


def fit_pairing(job: Job, by: str = "") -> dict[str, object]:
    """Fit rates and confidence to the readings and the plan; journal and return the values.

    The fit always starts from the shipped parameters, so that fitting twice changes nothing.
    """
    with writing(job, "fit") as session:
        connection = session.connection
        number, links = planload.newest(connection)
        stored, _ = readings.load(connection)
        decided = decisions(connection)
        papers = sheets.tables_of(connection)
        working = prepare(stored, papers, decided, job.settings).working
        values = as_json(fit(Plan(links, number), working, decided, Parameters(), job.settings))
        session.record("fit", {"parameters": values}, by)
    refresh(job)
    return values
