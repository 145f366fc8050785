"""Why a record is held, and which records are held by one cause."""

from __future__ import annotations

from collections import Counter

import numpy as np

from rules.pairing import candidates
from rules.pairing.gate import OBJECTIONS, Verdict, exchanged
from rules.pairing.ledger import GAP, GAP_BESIDE, PART, PASSED, PASSED_BESIDE, Ledger
from rules.pairing.weigh import Weighed

RANK = (
    "wrong-prefix", "past-panel-end", "shifted-run", "two-claims", "skipped-or-shifted",
    "stopped-or-shifted", "doubtful-label",
)  # fmt: skip
"""Causes that concern a stretch of one run in one panel, the one that explains most first."""

BY_RUN = ("label-missing", "outside-the-plan", "mistyped-label")
"""Causes that one answer settles for a whole run."""

ANEW = 4
"""A port number this much lower than the one before, in the direction of work, begins a panel."""
BETWEEN = 4
"""So many labels of another kind may stand within a stretch of shortened ones."""
FEW = 2
"""More labels than this with one damaged name in one panel have one cause."""
LIKELY = 0.9
"""A mistyped label this probably understood joins the run's one question of that cause."""


def of_held(
    weighed: Weighed, ledger: Ledger, verdict: Verdict, held: np.ndarray, names: list[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Return code and group of each held record (empty for the others)."""
    states, grid = weighed.states, weighed.grid
    form, regime = states.form[verdict.state], states.regime[verdict.state]
    panel = np.where(weighed.unit >= 0, grid.panel[np.maximum(weighed.unit, 0)], -1)
    code = np.full(len(held), "", dtype=object)
    reversed_ = _reversed(weighed, ledger, verdict, held)
    for record in np.flatnonzero(held).tolist():
        info = weighed.typed[names[record]]
        code[record] = _cause(
            blank=info.blank,
            outside=weighed.unit[record] < 0,
            ambiguous=len(info.full) > 1,
            form=int(form[record]),
            regime=int(regime[record]),
            rival=bool(ledger.rival[record]),
            state=int(ledger.state[record]),
            likely=bool(weighed.p_unit[record] > LIKELY),
        )
    code[reversed_] = "order-reversed"
    shortened = np.array([bool(weighed.typed[name].tails) for name in names], dtype=bool)
    code[held & weighed.astray] = "wrong-prefix"
    code[held & weighed.astray & shortened] = "abbreviation"
    group = np.full(len(held), "", dtype=object)
    block = _blocks(weighed, names)
    # neighbours in reverse are one question each time, not one for the whole stretch
    first_of = np.cumsum(np.r_[True, ~(reversed_[1:] & reversed_[:-1])])
    lone = _lone(weighed, code, form, panel, names) & ~weighed.astray
    code[lone & (code != "outside-the-plan")] = "doubtful-label"
    stretches: dict[tuple[int, int], list[int]] = {}
    for record in np.flatnonzero(held).tolist():
        run = int(weighed.run_of[record])
        if lone[record]:
            group[record] = f"run {run} lone {names[record]}"
        elif code[record] == "abbreviation":
            group[record] = f"run {run} head {weighed.typed[names[record]].head} {block[record]}"
        elif code[record] == "order-reversed":
            group[record] = f"run {run} pair {first_of[record]}"
        elif code[record] in RANK:
            stretches.setdefault((run, int(panel[record])), []).append(record)
        elif code[record] in BY_RUN:
            group[record] = f"run {run}"
        else:
            group[record] = f"run {run} {names[record]}"
    for (run, where), every in stretches.items():
        # what is true of the ports before a skipped one need not be true of those after it
        for number, records in enumerate(_in_a_row(weighed, every)):
            counted = Counter(code[r] for r in records)
            # one or two odd records do not make the cause of a whole stretch
            strong = [c for c in RANK if counted[c] >= max(1, len(records) // 4)]
            code[records] = strong[0]
            group[records] = f"run {run} panel {where} part {number}"
    return code, group


def _reversed(weighed: Weighed, ledger: Ledger, verdict: Verdict, held: np.ndarray) -> np.ndarray:
    """Say of each held record whether its standing in reverse is what is to be asked.

    A neighbour that something weaker speaks against belongs to the same question.
    """
    out = held & (verdict.objection == OBJECTIONS.index("order reversed"))
    near = np.r_[False, out[:-1]] | np.r_[out[1:], False]
    return np.asarray(out | (held & near & exchanged(weighed) & ~ledger.rival.astype(bool)))


def _in_a_row(weighed: Weighed, records: list[int]) -> list[list[int]]:
    """Split the held records of one run in one panel wherever they do not go from port to port.

    There a port has no reading, or what stands there is asked about by itself or not at all.
    """
    step = np.abs(np.diff(weighed.unit[records]))
    return [part.tolist() for part in np.split(np.array(records), np.flatnonzero(step > 1) + 1)]


def _lone(
    weighed: Weighed, code: np.ndarray, form: np.ndarray, panel: np.ndarray, names: list[str]
) -> np.ndarray:
    """Say of each held record whether its own label is in doubt, and no other with it.

    Such a record is asked about by itself: neither what is asked of its neighbours nor another
    slip elsewhere in the run has the same answer. A damaged name that a counter repeats is one.
    """
    held = code != ""
    doubtful = held & (weighed.p_unit <= LIKELY)
    slip = doubtful & np.isin(code, RANK) & (form >= candidates.MISTYPED)
    places = zip(weighed.run_of.tolist(), panel.tolist(), names, strict=True)
    heads = [(run, where, weighed.typed[name].head) for run, where, name in places]
    often = Counter(heads[n] for n in np.flatnonzero(slip).tolist())
    slip[[n for n in np.flatnonzero(slip).tolist() if often[heads[n]] > FEW]] = False
    out = slip | (doubtful & (code == "outside-the-plan"))
    out |= (code == "abbreviation") & _odd(weighed, names)
    return np.asarray(out)


def _odd(weighed: Weighed, names: list[str]) -> np.ndarray:
    """Say of each record whether its number is far from both neighbours', which go together."""
    port = np.array([weighed.typed[name].port for name in names])
    out = np.zeros(len(names), dtype=bool)
    run = weighed.run_of
    before, own, after = port[:-2], port[1:-1], port[2:]
    known = (run[:-2] == run[2:]) & (before >= 0) & (after >= 0)
    far = np.minimum(np.abs(own - before), np.abs(own - after)) > ANEW
    out[1:-1] = known & (np.abs(after - before) <= ANEW) & far
    return out


def _blocks(weighed: Weighed, names: list[str]) -> np.ndarray:
    """Number the stretches of neighbouring records whose labels have the same head and count on.

    A shortened label that begins to count anew is of another panel, maybe in another room.
    """
    heads = np.array([weighed.typed[name].head for name in names], dtype=object)
    port = np.array([weighed.typed[name].port for name in names])
    run, sign = weighed.run_of, weighed.sign
    out = np.arange(len(names))
    for n in range(1, len(names)):
        # slips and labels of something else in between do not end a stretch
        for back in range(n - 1, max(n - 1 - BETWEEN, 0) - 1, -1):
            if heads[back] != heads[n] or run[back] != run[n]:
                continue
            anew = (port[n] - port[back]) * sign[n] < -ANEW and min(port[n], port[back]) >= 0
            out[n] = n if anew else out[back]
            break
    return out


def _cause(
    *, blank: bool, outside: bool, ambiguous: bool, form: int, regime: int, rival: bool,
    state: int, likely: bool,
) -> str:  # fmt: skip
    if blank:
        return "label-missing"
    if outside:
        return "outside-the-plan"
    if ambiguous:
        return "label-ambiguous"
    if form == candidates.TAIL:
        return "abbreviation"
    if regime in (5, 6):
        return "wrong-prefix"
    if regime == 7:
        return "past-panel-end"
    if regime:
        return "shifted-run"
    if rival:
        return "two-claims"
    if form in (candidates.MISTYPED, candidates.UNRELATED) and likely:
        return "mistyped-label"
    if state in (PASSED, PASSED_BESIDE, GAP, GAP_BESIDE):
        return "skipped-or-shifted"
    return "stopped-or-shifted" if state == PART else "doubtful-label"
