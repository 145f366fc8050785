"""Which places a record may stand for: label targets, context, and what the crew may have done.

A state of a record is (unit, regime, form): the true place, what the labels of the stretch are off
by, and how the label came to be. Never a readings x links matrix: states come from the label
itself, from the neighbours in the run, and from panels next to them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from rapidfuzz import process
from rapidfuzz.distance import OSA

from rules import labels
from rules.pairing import match
from rules.pairing.grid import Grid
from rules.settings import Settings

REGIMES = ("as-typed", "-2", "-1", "+1", "+2", "panel-before", "panel-after", "past-end")
SHIFTS = (0, -2, -1, 1, 2)
"""Label minus true port, counted in the direction of work, for the first regimes."""
FORMS = ("exact", "normalised", "other-end", "tail", "mistyped", "unrelated", "missing", "outside")
EXACT, NORMALISED, OTHER_END, TAIL, MISTYPED, UNRELATED, MISSING, OUTSIDE = range(8)

AMBIGUOUS = 40
"""Most places taken from one shortened label."""


@dataclass(frozen=True)
class Typed:
    """What one distinct label says by itself."""

    full: tuple[tuple[int, int], ...] = ()
    """(unit, form) of the full labels it equals."""
    tails: tuple[int, ...] = ()
    """Units whose label ends like it."""
    panels: tuple[int, ...] = ()
    """Panels that its head names, wholly or by an ending."""
    near: tuple[tuple[int, int], ...] = ()
    """(unit, edits) of panels whose name is one or two signs away."""
    head: str = ""
    port: int = -1
    solid: str = ""
    blank: bool = False
    retest: bool = False
    how: str = ""
    """How PAIRS calls the match of a full label: `exact` or `normalised`."""
    read_as: str = ""
    """The label after an alias of the job."""
    job: bool = False
    """A label of the test set itself."""

    @property
    def lost(self) -> bool:
        """Say whether the label has a port number, but no panel of the plan before it."""
        return not self.full and self.port >= 0 and not self.panels


@dataclass(frozen=True)
class States:
    """All states of all records, flat; `first` gives each record's slice."""

    record: np.ndarray
    unit: np.ndarray
    target: np.ndarray
    """The unit whose label was meant, -1 where none."""
    regime: np.ndarray
    form: np.ndarray
    bits: np.ndarray
    """What the label says, in thousandths of a bit."""
    first: np.ndarray


def read_labels(
    distinct: Sequence[str],
    counts: Counter[str],
    grid: Grid,
    index: match.Index,
    aliases: Sequence[tuple[str, str]],
    settings: Settings,
    elsewhere: Mapping[str, int],
) -> dict[str, Typed]:
    """Read every distinct label once against the plan.

    elsewhere: how often other records of the job typed names of panels that the plan lacks.
    """
    out: dict[str, Typed] = {}
    lost: Counter[str] = Counter()
    for label, found in match.find(distinct, index, aliases, settings).items():
        text = label
        if found.alias:
            text = found.alias
        if found.retest:
            text = labels.without_retest(label, settings.retest_suffixes)
        sites = (found.site,) if found.site >= 0 else found.sites
        units = [int(grid.unit_of[site]) for site in sites]
        parts = labels.tokens(text)
        if not units and parts and not found.retest:
            short = labels.without_retest(label, settings.retest_suffixes)
            if short and labels.tokens(short)[-1:] and not parts[-1].isdecimal():
                text, parts = short, labels.tokens(short)
        head = "-".join(parts[:-1])
        port = int(parts[-1]) if parts and parts[-1].isdecimal() and len(parts[-1]) < 6 else -1
        tails: tuple[int, ...] = ()
        panels: tuple[int, ...] = ()
        if not units and port >= 0:
            panels = grid.by_ending.get(head, ()) if head else tuple(range(len(grid.sizes)))
            tails = tuple(unit for p in panels if (unit := grid.unit_at(p, port)) >= 0)
            if not panels:
                lost[head] += counts[label]
        out[label] = Typed(
            tuple((u, _form(grid, u, text, found)) for u in units),
            tails,
            panels,
            (),
            head,
            port,
            labels.solid(text),
            not parts,
            found.retest or (text != label and not found.alias),
            found.how,
            found.alias,
            found.job,
        )
    return _near(out, lost, grid, elsewhere)


def _form(grid: Grid, unit: int, text: str, found: match.Match) -> int:
    link = grid.texts(unit)[0]
    if found.how == "exact" and text.strip() == link:
        return EXACT
    return NORMALISED if labels.compact(link) == labels.compact(text) else OTHER_END


def often(head: str, count: int) -> bool:
    """Say whether a name that the plan lacks was typed so often that no key slipped there."""
    return count >= 3 and len(head) >= 2


def _near(
    typed: dict[str, Typed], lost: Counter[str], grid: Grid, elsewhere: Mapping[str, int]
) -> dict[str, Typed]:
    """Find panels whose name is one or two signs from a name that was typed again and again."""
    again = sorted(h for h, count in lost.items() if often(h, count + elsewhere.get(h, 0)))
    if not again:
        return typed
    known = sorted(head for head in grid.by_ending if len(head) >= 3 or head in grid.by_prefix)
    table = process.cdist(again, known, scorer=OSA.distance, score_cutoff=2, dtype=np.uint8)
    close: dict[str, list[tuple[int, int]]] = {}
    most = np.array([1 if len(head) < 8 else 2 for head in again])[:, None]
    for row, column in zip(*np.nonzero(table <= most), strict=True):
        edits = int(table[row, column])
        # an ending one sign away names the same panels as the whole name does, and more
        panels = grid.by_ending[known[column]]
        if len(panels) > AMBIGUOUS:
            continue
        close.setdefault(again[row], []).extend((panel, max(edits, 1)) for panel in panels)
    out = {}
    for label, info in typed.items():
        least: dict[int, int] = {}
        for panel, edits in close.get(info.head, ()):
            least[panel] = min(edits, least.get(panel, edits))
        panels_near = sorted(least.items(), key=lambda pe: (pe[1], pe[0]))
        hits = [
            (unit, e)
            for p, e in panels_near[:AMBIGUOUS]
            if (unit := grid.unit_at(p, info.port)) >= 0
        ]
        out[label] = info if not hits else Typed(**{**info.__dict__, "near": tuple(hits)})
    return out


def distance(solid: str, forms: Sequence[str]) -> tuple[int, bool]:
    """Return the least optimal-string-alignment distance to a form, and whether it is the tail."""
    best, shortened = 9, False
    for n, form in enumerate(forms):
        if not form:
            continue
        edits = OSA.distance(solid, form, score_cutoff=min(best, 5))
        if edits < best:
            best, shortened = edits, n == len(forms) - 1
    return best, shortened
