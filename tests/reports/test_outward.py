"""What is for the supervisor alone stays out of everything that is handed over."""

from dataclasses import replace

import pandas as pd

from reports import facts, handover
from rules import tables
from rules.codes.checking import PRIVATE
from rules.codes.findings import FINDINGS
from tests.reports import sample

WORDS = "last digits of this run"


def _with_private() -> tuple[object, int]:
    evaluation = sample.evaluation(20)
    rows = [
        {"finding_id": f"p{n}", "code": code, "severity": "note", "subject": "run R1A",
         "run_id": "R1A", "message": WORDS, "remedy": FINDINGS[code].remedy}
        for n, code in enumerate(PRIVATE)
    ]  # fmt: skip
    asked = {"question_id": "p-1", "code": PRIVATE[0], "message": WORDS, "state": "open"}
    return replace(
        evaluation,
        findings=tables.conform(
            pd.concat([evaluation.findings, pd.DataFrame(rows)]), tables.FINDINGS
        ),
        questions=tables.conform(
            pd.concat([evaluation.questions, pd.DataFrame([asked])]), tables.QUESTIONS
        ),
    ), len(evaluation.findings)


def test_private_findings_and_questions_are_left_out_and_no_others():
    evaluation, others = _with_private()
    assert len(evaluation.findings) == others + len(PRIVATE)
    outward = facts.outward(evaluation)
    assert len(outward.findings) == others
    assert not set(outward.findings["code"]) & set(PRIVATE)
    assert not set(outward.questions["code"]) & set(PRIVATE)


def test_no_file_of_the_open_data_speaks_of_them():
    evaluation, _ = _with_private()
    given, results = sample.particulars(), facts.results(evaluation)

    def files(one):
        return b"".join(body for *_, body in handover.contents(one, given, results))

    assert WORDS.encode() in files(evaluation)
    handed = files(facts.outward(evaluation))
    assert WORDS.encode() not in handed
    assert not any(code.encode() in handed for code in PRIVATE)
