"""Questions as rows of table QUESTIONS."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from rules.codes.questions import QUESTIONS


def question(
    code: str,
    message: str,
    reading_ids: Sequence[str],
    *,
    options: Sequence[Mapping[str, Any]] = (),
    evidence: Sequence[Mapping[str, Any]] = (),
    asked: str = "",
) -> dict[str, Any]:
    """Make one row of QUESTIONS; its id is a hash of code and readings, free of any order.

    options: the proposed one first, each {"action", "label", "confidence", ...}; an option that
    places readings has "link_ids" in parallel with the sorted reading ids.
    asked: who of the crew is to be asked, shown with the question.
    """
    if code not in QUESTIONS:
        raise ValueError(f"no such question code: {code}")
    ids = sorted(reading_ids)
    digest = hashlib.sha256("\n".join((code, *ids)).encode()).hexdigest()
    shown = list(evidence)
    if asked:
        shown.append({"term": "asked", "weight": 0.0, "text": f"{asked} is to be asked"})
    proposal = str(options[0]["label"]) if options else QUESTIONS[code].remedy
    return {
        "question_id": f"Q{digest[:10]}",
        "code": code,
        "message": message,
        "proposal": proposal,
        "readings": len(ids),
        "state": "open",
        "weight": float(len(ids)),
        "reading_ids": _json(ids),
        "options": _json(list(options)),
        "evidence": _json(shown),
    }


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
