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
from rules.pairing.parameters import Parameters
from rules.settings import Settings

REGIMES = ("as-typed", "-2", "-1", "+1", "+2", "panel-before", "panel-after", "past-end")
SHIFTS = (0, -2, -1, 1, 2)
"""Label minus true port, counted in the direction of work, for the first regimes."""
FORMS = ("exact", "normalised", "other-end", "tail", "mistyped", "unrelated", "missing", "outside")
EXACT, NORMALISED, OTHER_END, TAIL, MISTYPED, UNRELATED, MISSING, OUTSIDE = range(8)

REACH = 60
"""How many records away a neighbour still says where the crew stands."""
WIDTH = 64
"""Most states of one record."""
OUTSIDES = 24
"""Most of them that are outside the plan."""
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


def _past(grid: Grid, panels: Sequence[int], port: int) -> list[int]:
    out = []
    for panel in panels:
        over, after = port - int(grid.sizes[panel]) - 1, grid.neighbour(panel, 1)
        if over >= 0 and after >= 0 and over < int(grid.sizes[after]):
            out.append(int(grid.starts[after]) + over)
    return out


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


def of_run(
    names: Sequence[str], typed: dict[str, Typed], grid: Grid, sign: np.ndarray,
    guess: Sequence[int], p: Parameters,
) -> list[list[tuple[int, int, int, int, int]]]:  # fmt: skip
    """Return the states (unit, target, regime, form, millibits) of each record of one run.

    guess: where each record probably stands by an earlier round, -1 unknown; used where the
    label alone does not say.
    """
    infos = [typed[name] for name in names]
    anchors = [
        i.full[0][0] if len(i.full) == 1 else unit for i, unit in zip(infos, guess, strict=True)
    ]
    heads = Counter(i.head for i in infos if not i.full and not i.panels)
    panels = sorted({int(grid.panel[u]) for u in anchors if u >= 0})
    around = sorted({q for a in panels for q in (a - 1, a, a + 1) if 0 <= q < len(grid.sizes)})
    before, after = _nearest(anchors)
    instead = _instead(anchors, grid)
    out = []
    for t, info in enumerate(infos):
        step = int(sign[t])
        expected = _expected(t, before[t], after[t], anchors, step, grid)
        if not info.full and not info.tails:
            expected = list(dict.fromkeys([*expected, *_among(infos, t, step, grid)]))
        targets = _targets(info, expected, around, heads, grid, p)
        for panel, length in instead[t]:
            unit = grid.unit_at(panel, info.port)
            if info.full and unit >= 0 and unit not in targets:
                edits, _ = distance(info.solid, grid.solid(unit)[:3])
                if edits == 1:
                    # written as the label it is, and meant for another link
                    cost = (p.edit_bits - 3 * p.known_bits) / length
                    as_is = max(targets[u][0] for u, _ in info.full)
                    targets[unit] = (as_is + _milli(cost), MISTYPED)
        out.append(_states(info, targets, expected, around, step, grid, p))
    return out


def _instead(anchors: Sequence[int], grid: Grid) -> list[list[tuple[int, int]]]:
    """Return for each record the panels where its stretch would be expected, and its length.

    A counting meter repeats one wrong sign of a panel's name in every label of the panel; if that
    is another panel's name, only the stretches before and after it speak against it.
    """
    stretches: list[list[int]] = []
    for t, unit in enumerate(anchors):
        panel = int(grid.panel[unit]) if unit >= 0 else -1
        if stretches and (panel < 0 or panel == stretches[-1][0]):
            stretches[-1][2] = t
        elif panel >= 0:
            stretches.append([panel, t, t])
    out: list[list[tuple[int, int]]] = [[] for _ in anchors]
    for n, (panel, start, stop) in enumerate(stretches):
        wanted = set()
        if n:
            wanted |= {stretches[n - 1][0], stretches[n - 1][0] + 1}
        if n + 1 < len(stretches):
            wanted |= {stretches[n + 1][0], stretches[n + 1][0] - 1}
        length = stop - start + 1
        for t in range(start, stop + 1):
            out[t] = [(q, length) for q in sorted(wanted) if q != panel]
    return out


def _nearest(anchors: Sequence[int]) -> tuple[list[int], list[int]]:
    """Return the nearest anchored record before and after each record, -1 beyond reach."""
    before, after, last = [], [-1] * len(anchors), -1
    for t, unit in enumerate(anchors):
        before.append(last if last >= 0 and t - last <= REACH else -1)
        last = t if unit >= 0 else last
    last = -1
    for t in range(len(anchors) - 1, -1, -1):
        after[t] = last if last >= 0 and last - t <= REACH else -1
        last = t if anchors[t] >= 0 else last
    return before, after


def _expected(
    t: int, before: int, after: int, anchors: Sequence[int], step: int, grid: Grid
) -> list[int]:
    """Return the units where the neighbours say the crew stands, likeliest first."""
    out = []
    if before >= 0:
        out.append(anchors[before] + step * (t - before))
    if after >= 0:
        out.append(anchors[after] - step * (after - t))
    return list(dict.fromkeys(u for u in out if 0 <= u < grid.units))


def _among(infos: Sequence[Typed], t: int, step: int, grid: Grid) -> list[int]:
    """Return the units that shortened labels beside a record leave open for it.

    Without them the record would hold the whole run at the few places it knows itself.
    """
    for n in (t - 1, t + 1, t - 2, t + 2, t - 3, t + 3):
        if 0 <= n < len(infos) and infos[n].tails:
            there = [(u, u + step * (t - n)) for u in infos[n].tails[:AMBIGUOUS]]
            return [v for u, v in there if 0 <= v < grid.units and grid.panel[u] == grid.panel[v]]
    return []


def _targets(
    info: Typed, expected: Sequence[int], around: Sequence[int], heads: Counter[str], grid: Grid,
    p: Parameters,
) -> dict[int, tuple[int, int]]:  # fmt: skip
    """Return the units whose label may have been meant, as {unit: (millibits, form)}."""
    out: dict[int, tuple[int, int]] = {}
    bits = {EXACT: p.exact_bits, NORMALISED: p.normalised_bits, OTHER_END: p.other_end_bits}
    for unit, form in info.full:
        out[unit] = (_milli(bits[form]), form)
    # where others of the run seem to stand comes first, but never instead of all other panels
    tails = sorted(info.tails, key=lambda u: int(grid.panel[u]) not in around)
    for unit in tails[:AMBIGUOUS]:
        out.setdefault(unit, (_milli(p.tail_bits), TAIL))
    often = min(heads[info.head], 8) if info.head else 1
    for unit, edits in info.near:
        out.setdefault(unit, (_milli(_edit(p, edits) / max(often, 1) - 0.5), MISTYPED))
    if info.blank:
        return out | {u: (_milli(p.missing_bits), MISSING) for u in expected}
    wanted = list(expected) if info.full else [u + d for u in expected for d in (0, 1, -1)]
    if not info.full and info.port >= 0:
        wanted += [unit for q in around if (unit := grid.unit_at(q, info.port)) >= 0]
    for unit in dict.fromkeys(wanted):
        if unit in out or not 0 <= unit < grid.units:
            continue
        edits, shortened = distance(info.solid, grid.solid(unit))
        # of all slips only one in many hits upon another planned label
        cost = _edit(p, edits) - 1.5 * shortened
        if info.full:
            cost -= p.known_bits + 4.0 * info.retest
        if int(grid.port[unit]) == info.port and often > 2 and edits <= 2:
            cost = cost / often - 0.5
        if cost > p.unrelated_bits and 3 * edits <= len(info.solid):
            out[unit] = (_milli(cost), MISTYPED)
        elif unit in expected:
            out[unit] = (_milli(p.unrelated_bits), UNRELATED)
    return out


def _edit(p: Parameters, edits: int) -> float:
    return p.edit_bits + p.more_edits_bits * (edits - 1) if edits else 0.0


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


def _states(
    info: Typed, targets: dict[int, tuple[int, int]], expected: Sequence[int],
    around: Sequence[int], step: int, grid: Grid, p: Parameters,
) -> list[tuple[int, int, int, int, int]]:  # fmt: skip
    out: list[tuple[int, int, int, int, int]] = []
    sizes, starts = grid.sizes, grid.starts
    for target, (bits, form) in targets.items():
        out.append((target, target, 0, form, bits))
        panel = int(grid.panel[target])
        if len(targets) > 16 and panel not in around:
            continue
        low, high = int(starts[panel]), int(starts[panel + 1])
        for regime in (1, 2, 3, 4):
            unit = target - SHIFTS[regime] * step
            if low <= unit < high and (form not in (UNRELATED, MISSING) or regime in (2, 3)):
                out.append((unit, target, regime, form, bits))
        if form in (MISTYPED, UNRELATED, MISSING) or (form == TAIL and panel not in around):
            continue
        for regime, move in ((5, 1), (6, -1)):
            other = grid.neighbour(panel, move)
            if other >= 0 and target - low < int(sizes[other]):
                out.append((int(starts[other]) + target - low, target, regime, form, bits))
    if info.head and info.port >= 0 and not info.full:
        out += _off_the_end(info, around, step, grid, p)
    counting = [q for q in info.panels if len(info.panels) == 1 or q in around]
    past = _past(grid, counting, info.port) if info.port >= 0 and info.head else []
    shortened = len(info.panels) > 1
    form, cost = (TAIL, p.tail_bits) if shortened else (NORMALISED, p.normalised_bits)
    out += [(unit, -1, 7, form, _milli(cost)) for unit in past]
    known = bool(info.full)
    weight = _milli(p.outside_known_bits if known else p.outside_bits)
    if info.panels and not info.tails and info.port >= 0:
        weight = _milli(p.outside_bits + 3)  # a port past the panel's end: a spare, most likely
    if info.blank:
        weight = _milli(p.missing_bits)
    if info.job and not info.full:
        out, weight = [], 0
    held = [u - step for u in expected] if expected else list(targets)[:2]
    for unit in dict.fromkeys(held or [0]):
        if 0 <= unit < grid.units:
            out += [(unit, -1, regime, OUTSIDE, weight) for regime in (0, 2, 3)]
    if not out:
        out.append((0, -1, 0, OUTSIDE, weight))
    if len(out) > WIDTH:
        out.sort(key=lambda s: (-s[4], s[2] != 0, s[0], s[2], s[3]))
        outside = [s for s in out if s[3] == OUTSIDE][:OUTSIDES]
        out = [s for s in out if s[3] != OUTSIDE][: WIDTH - len(outside)] + outside
    return sorted(out)


def _off_the_end(
    info: Typed, around: Sequence[int], step: int, grid: Grid, p: Parameters
) -> list[tuple[int, int, int, int, int]]:
    """Return the last (or first) ports of panels whose labels are off by a port or two.

    A label one past the end of its panel is what a counter one too high shows at the last port.
    """
    out = []
    for panel in info.panels:
        if len(info.panels) > 1 and panel not in around:
            continue
        low, high = int(grid.starts[panel]), int(grid.starts[panel + 1])
        over = info.port - int(grid.port[low:high].max())
        under = info.port - int(grid.port[low:high].min())
        off = over if over > 0 else min(under, 0)
        if not 0 < abs(off) <= 2:
            continue
        shortened = len(info.panels) > 1
        cost = p.tail_bits if shortened else p.exact_bits
        for regime in (1, 2, 3, 4):
            # label = place + shift x step, for a label that lies `off` past the end
            unit = (high - 1 if off > 0 else low) + off - SHIFTS[regime] * step
            if low <= unit < high:
                form = TAIL if shortened else EXACT
                out.append((unit, -1, regime, form, _milli(cost)))
    return out


def _milli(bits: float) -> int:
    return round(1000 * bits)
