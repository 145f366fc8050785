"""Questions by cause: what is asked, what is proposed, and the evidence in named terms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from rules import asking, labels
from rules.codes.questions import QUESTIONS
from rules.pairing import candidates, evidence
from rules.pairing.bindings import Bindings
from rules.pairing.evidence import Evidence
from rules.pairing.outcome import Outcome
from rules.pairing.readings import ByReading
from rules.pairing.records import Records
from rules.pairing.sites import Sites
from rules.pairing.weigh import Weighed

Cause = tuple[str, str]
"""Code and group of records that one question is about."""
MOST_ROOMS = 12
"""Panels offered for shortened labels."""
UNLIKELY = 0.1
"""A next best place less probable than this leaves little doubt of the one found."""
SHOWN = 4
"""Labels and links named in a sentence before it says how many more."""


@dataclass
class Explained:
    """Where the evidence of each record is kept: its class and its number there."""

    evidence: Evidence
    where: dict[int, tuple[Weighed, int]] = field(default_factory=dict)
    """The weighed records; what was taken over from before has its evidence alone."""
    classes: list[Weighed] = field(default_factory=list)

    def add(self, records: np.ndarray, weighed: Weighed) -> None:
        """Register the records of one class."""
        self.classes.append(weighed)
        self.where.update((r, (weighed, n)) for n, r in enumerate(records.tolist()))

    def rooms(self, records: Sequence[int], names: Sequence[str]) -> list[list[int]]:
        """Return the sites that shortened labels may mean, one list per panel, likeliest first.

        Only panels that have a place for every one of the records.
        """
        weight: dict[int, float] = {}
        where: dict[int, list[int]] = {}
        for record in records:
            weighed, n = self.where[record]
            states, grid = weighed.states, weighed.grid
            for unit in weighed.typed[names[record]].tails:
                where.setdefault(int(grid.panel[unit]), []).append(int(grid.site[unit]))
            options = np.arange(states.first[n], states.first[n + 1])
            for option in options[states.form[options] == candidates.TAIL].tolist():
                panel = int(grid.panel[states.unit[option]])
                weight[panel] = weight.get(panel, 0.0) + float(weighed.probability[option])
        whole = [panel for panel, found in where.items() if len(found) == len(records)]
        whole.sort(key=lambda panel: (-round(weight.get(panel, 0.0), 6), panel))
        return [where[panel] for panel in whole[:MOST_ROOMS]]

    def scattered(self, records: Sequence[int]) -> bool:
        """Say whether the places found for records lie in several panels."""
        found = [self.where[record] for record in records]
        panels = {int(w.grid.panel[w.unit[n]]) for w, n in found if w.unit[n] >= 0}
        return len(panels) > 1

    def rival_reading(self, record: int) -> str:
        """Say how the runner-up would read a record's label: empty where as it stands."""
        weighed, n = self.where[record]
        rival = evidence.best_at(weighed, weighed.second, n)[n]
        regime = int(weighed.states.regime[rival]) if rival >= 0 else 0
        return f"labels off: {candidates.REGIMES[regime]}" if regime else ""

    def terms(self, records: Sequence[int]) -> list[dict[str, Any]]:
        """Return the evidence for the places found over the runners-up, summed over records.

        The named terms and `order of work` add up to `total`, in bits.
        """
        known = np.array(records, dtype=np.int64)
        known = known[~np.isnan(self.evidence.total[known])]
        if not len(known):
            return []
        total, values = float(self.evidence.total[known].sum()), self.evidence.terms[known]
        rows: list[dict[str, Any]] = [
            {"term": name, "weight": round(int(value[held].sum()) / 1000, 1) + 0.0,
             "text": WORDS[name]}
            for name, value, held in zip(
                evidence.TERMS, values.T, (values != evidence.ABSENT).T, strict=True
            )
            if held.any()
        ]  # fmt: skip
        order = round(total - sum(r["weight"] for r in rows), 1)
        rows.append({"term": "order of work", "weight": order, "text": WORDS["order of work"]})
        rows.append({"term": "total", "weight": round(total, 1), "text": WORDS["total"]})
        return rows


WORDS = {
    "label": "how well the typed labels fit",
    "notes": "ports that the crew noted as skipped",
    "habit": "how this run writes its labels",
    "values": "loss and length against the plan",
    "claims": "other readings that claim the same links",
    "succession": "where the same instrument stood before and after",
    "other visit": "the same fibres measured by another run",
    "order of work": "the order in which the ports were taken",
    "total": "for the places found, against the next best",
}


def make(
    working: pd.DataFrame, made: Records, place: Sites, bound: Bindings, found: Outcome,
    by: ByReading, explained: Explained, before: Mapping[Cause, dict[str, Any]],
) -> dict[Cause, dict[str, Any]]:  # fmt: skip
    """Make the rows of QUESTIONS, one per cause.

    before: rows of an earlier pairing whose records, and all that concerns them, are as they were.
    """
    groups: dict[tuple[str, str], list[int]] = {}
    for n in np.flatnonzero(by.status == "question").tolist():
        groups.setdefault((by.code[n] or "doubtful-label", by.group[n]), []).append(n)
    names = made.table["label"].to_list()
    runs = made.table["run_id"].to_list()
    ids = by.reading_id.to_numpy(dtype=object)
    rows = {}
    for (code, group), members in sorted(groups.items()):
        if (code, group) in before:
            rows[code, group] = before[code, group]
            continue
        members.sort(key=lambda n: ids[n])
        inside = sorted({int(by.record[n]) for n in members})
        typed = list(dict.fromkeys(names[r] for r in inside))
        run_ids = sorted({runs[r] for r in inside})
        rooms = explained.rooms(inside, names) if code == "abbreviation" else []
        at = {record: n for n, record in enumerate(inside)}
        more = [[room[at[int(by.record[n])]] for n in members] for room in rooms]
        turned = _turned(inside, found) if code == "order-reversed" else {}
        scattered = bool(more) and explained.scattered(inside)
        doubtful = code == "shifted-run" and found.p_second[inside].mean() > UNLIKELY
        options = _options(
            members, by, place, found, more, turned, scattered=scattered, doubtful_shift=doubtful
        )
        shown = explained.terms(inside)
        shown += neighbours(inside, names, runs, found, place, "held")
        asked_of = next((bound.asked[i] for n in members if (i := ids[n]) in bound.asked), "")
        if asked_of:
            shown.append({"term": "asked", "weight": 0.0, "text": f"{asked_of} is to be asked"})
        rows[code, group] = asking.ask(
            code,
            _message(code, typed, run_ids, members, by, found, place),
            str(options[0]["label"]),
            [ids[n] for n in members],
            options,
            shown,
            asking.Settled(),
        )
    return rows


def _message(
    code: str, typed: Sequence[str], runs: Sequence[str], members: Sequence[int], by: ByReading,
    found: Outcome, place: Sites,
) -> str:  # fmt: skip
    shown = ", ".join(f"'{t}'" for t in typed[:SHOWN])
    if len(typed) > SHOWN:
        shown += f" … '{typed[-1]}'"
    where = f" in run {', '.join(runs)}" if any(runs) else ""
    count = f"{len(typed)} label{'' if len(typed) == 1 else 's'} ({shown}){where}"
    meaning = QUESTIONS[code].meaning
    if code == "stopped-or-shifted":
        last = place.name(int(found.site[by.record[members].max()]))
        said = f"{count}; stopped at {last}, or shifted? {meaning[0].upper()}{meaning[1:]}"
    else:
        said = f"{count}: {meaning}"
    return f"{said}. {by.reason[members[0]].capitalize()}."


def _options(
    members: Sequence[int],
    by: ByReading,
    place: Sites,
    found: Outcome,
    rooms: Sequence[Sequence[int]],
    turned: Mapping[int, int],
    *,
    scattered: bool,
    doubtful_shift: bool,
) -> list[dict[str, Any]]:
    """Return what can be chosen, the proposed first; readings are in order of their ids.

    turned: the site of each record if the labels were given to each other's fibres, else empty.
    scattered: the places found lie in several panels, which labels of one panel cannot be of.
    doubtful_shift: the labels look off, and other places are not much less likely.
    """
    record = by.record[members]
    fibres = by.fibre_position[members].tolist()
    whole = [("place in this panel", np.array(room)) for room in rooms]
    choices = (
        # of labels that leave the panel open all are of one, although each alone may fit another
        *(whole[:1] if scattered else ()),
        # a shift that is hardly likelier than none is not proposed: most labels are meant
        *([("keep the labels as typed", found.typed_site[record])] if doubtful_shift else []),
        ("place on the links found", found.site[record]),
        ("keep the labels as typed", found.typed_site[record]),
        *whole,
        *(
            [("exchanged, in the order of work", np.array([turned[r] for r in record.tolist()]))]
            if turned
            else []
        ),
        ("place on the next best links", found.second[record]),
    )
    confidence = float(found.confidence[record].min()) if len(record) else 0.0
    out: list[dict[str, Any]] = []
    for words, sites in choices:
        links = [
            place.link_at(int(s), f) if s >= 0 else -1 for s, f in zip(sites, fibres, strict=True)
        ]
        if min(links) < 0 or any(o["link_ids"] == [place.link_ids[i] for i in links] for o in out):
            continue
        ids = [place.link_ids[i] for i in links]
        out.append(
            {
                "action": "place",
                "link_ids": ids,
                "label": f"{words}: {_span(ids)}",
                "confidence": round(confidence if not out else 0.0, 6),
            }
        )
    rest = [
        {"action": "outside-plan", "label": "outside the plan", "confidence": 0.0},
        {"action": "leave-out", "label": "leave out", "confidence": 0.0},
    ]
    outside = bool((found.site[record] < 0).all())
    return [rest[0], *out, rest[1]] if outside else [*out, *rest]


def _turned(inside: Sequence[int], found: Outcome) -> dict[int, int]:
    """Return the sites of two neighbours as if their labels were exchanged; none for more."""
    if len(inside) != 2:
        return {}
    back = reversed(inside)
    return {record: int(found.site[other]) for record, other in zip(inside, back, strict=True)}


def _span(ids: Sequence[str]) -> str:
    names = sorted(set(ids), key=lambda name: (labels.natural(name), name))
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]} ({len(names)} links)"


def neighbours(
    inside: Sequence[int], names: Sequence[str], runs: Sequence[str], found: Outcome, place: Sites,
    mark: str,
) -> list[dict[str, Any]]:  # fmt: skip
    """Return the records around the first and the last one inside, as they were stored.

    mark: what is said of those inside themselves.
    """
    first, last = inside[0], inside[-1]
    rows = []
    for record in [*range(first - 2, first + 3), *range(last - 1, last + 3)]:
        if not 0 <= record < len(names) or runs[record] != runs[first]:
            continue
        site = int(found.site[record])
        at = place.name(site) if site >= 0 else "outside the plan"
        text = f"'{names[record]}' → {at}" + (f" ({mark})" if record in inside else "")
        if {"term": "in time", "weight": 0.0, "text": text} not in rows:
            rows.append({"term": "in time", "weight": 0.0, "text": text})
    return rows
