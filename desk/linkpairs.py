"""Why a link has the readings it has, for `status --link`: how, how sure, and the evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from desk import evidence
from desk.terminal import say

if TYPE_CHECKING:
    from ingest.job import Job


def of(job: Job, link: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return one value per record paired with a link: `pairing.explain`'s, and how and how sure.

    Further keys: how, confidence, reason, wavelengths_nm, taken_at, basis_text. The job is weighed
    anew only where something had to be weighed.
    """
    from rules.pairing.explain import BASES
    from rules.pairing.settle import SWEPT

    by_id = {row["reading_id"]: row for row in link["readings"]}
    if not by_id:
        return []
    if all(row["reason"] == SWEPT for row in by_id.values()):
        found = _swept(job, link["readings"])
    else:
        from ingest import derive

        found = derive.kept(job).explained(sorted(by_id))
    out = []
    for entry in found:
        rows = [by_id[reading] for reading in entry["reading_ids"]]
        first = min(rows, key=lambda row: (row["confidence"], row["reading_id"]))
        taken = sorted(row["taken_at"] for row in rows if row["taken_at"])
        out.append(
            entry
            | {name: first[name] for name in ("how", "confidence", "reason")}
            | {
                "wavelengths_nm": sorted({row["wavelength_nm"] for row in rows}),
                "taken_at": taken[0] if taken else "",
                "basis_text": BASES[entry["basis"]],
            }
        )
    return out


def _swept(job: Job, readings: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what `pairing.explain` says of sweeps, from the stored tables alone."""
    from ingest import views

    visits: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in readings:
        visits.setdefault((row["run_id"], row["label"]), []).append(row)
    out = []
    for (_, label), rows in visits.items():
        around = [
            f"'{one['label']}' → {one['link_id'] or 'not paired'}"
            + (" (this one)" if one["own"] else "")
            for one in views.beside(job, rows[0]["row"])
        ]
        ids = sorted(row["reading_id"] for row in rows)
        out.append({"reading_ids": ids, "label": label, "basis": "sweep", "terms": [],
                    "runner_up": None, "neighbours": around})  # fmt: skip
    return out


def tell(found: Sequence[Mapping[str, Any]]) -> None:
    """Print why each record stands at the link."""
    for entry in found:
        waves = ", ".join(str(nm) for nm in entry["wavelengths_nm"])
        say(f"\nPaired: '{entry['label']}' at {waves} nm {entry['taken_at']}".rstrip())
        say(f"  how: {entry['how']}   confidence: {entry['confidence']:.4f}")
        say(f"  reason: {entry['reason']}")
        if entry["basis"] != "weighed":
            say(f"  {entry['basis_text']}")
        rival = entry["runner_up"]
        if rival:
            off = f" ({rival['reading']})" if rival["reading"] else ""
            say(f"  runner-up: {rival['place']}{off}, probability {rival['probability']:.6f}")
        elif entry["basis"] == "weighed":
            say("  runner-up: none; nothing else came into question")
        near = [{"term": "in time", "weight": 0.0, "text": text} for text in entry["neighbours"]]
        evidence.tell([*entry["terms"], *near])
