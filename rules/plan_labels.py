"""What a plan's own labels make easy to confuse, said when it is loaded, before any work.

Neighbouring ports and panels that simply count on (07 and 08, A and B) are always one sign apart
and are not named: no plan can avoid them, and the order of work tells them apart.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from itertools import combinations

import pandas as pd

from rules import labels

SHOWN = 3
"""Examples in one note."""
LOOK_ALIKES = str.maketrans("OQILSBZ", "0011582")
"""Signs that are mistaken for each other on small displays and in handwriting (common practice,
no source)."""
ROWS = ("QWERTYUIOP", "ASDFGHJKL", "ZXCVBNM")
"""Letters side by side on most keyboards (common practice, no source)."""
ADVICE = (
    "print the worklist, which has the full labels (glasstally worklist), and type them as "
    "printed; at least the first one of each panel, and check the last"
)


def notes(links: pd.DataFrame) -> list[str]:
    """Return what crews may confuse in a plan (LINKS), one sentence per kind, and what to do.

    Kinds: labels equal after normalising; labels that also name an end of another link; labels
    equal but for look-alike signs; panels whose names are one slip of the keypad apart; shortened
    labels that fit several panels. Empty where nothing of this holds.
    """
    plan = _split(sorted(set(links["link_id"])))
    bare, keys = plan.bare(), plan.keys()
    solid = plan.written("".join, "", plan.ports)
    same, joined = _alike(plan.ids, keys), _alike(plan.ids, solid)
    looks = _alike(plan.ids, [text.translate(LOOK_ALIKES) for text in solid])
    found = [
        _of_groups(same, "are equal but for case, separators or leading zeros"),
        _of_groups(_without(joined, same), "are equal once they are typed without separators"),
        _of_groups(_without(looks, [*same, *joined]),
                   "are equal but for signs that look alike (O and 0, I and 1, S and 5, …)"),
        _ends(links, dict(zip(keys, plan.ids, strict=True))),
        _panels(plan),
        _shortened(plan, bare),
    ]  # fmt: skip
    said = [text for text in found if text]
    return [*said, f"against mix-ups: {ADVICE}"] if said else []


@dataclass(frozen=True)
class _Labels:
    """Labels taken apart once per head, of which a plan has few."""

    ids: list[str]
    heads: list[tuple[str, ...]]
    """Tokens before the port, folded, zeros kept."""
    head_of: list[int]
    ports: list[str]
    """The last token of each label."""

    def written(
        self, write: Callable[[Sequence[str]], str], gap: str, ports: Sequence[str]
    ) -> list[str]:
        """Return every label in another form: its head as `write` gives it, and its port."""
        texts = [write(tokens) + gap if tokens else "" for tokens in self.heads]
        return [texts[h] + port for h, port in zip(self.head_of, ports, strict=True)]

    def bare(self) -> list[str]:
        """Return every port without leading zeros."""
        return [port.lstrip("0") or port[-1:] for port in self.ports]

    def keys(self) -> list[str]:
        """Return every label as `labels.key` does."""
        return self.written(lambda tokens: labels.key("-".join(tokens)), "-", self.bare())


def _split(ids: list[str]) -> _Labels:
    number: dict[str, int] = {}
    heads: list[tuple[str, ...]] = []
    head_of, ports = [], []
    for name in ids:
        before = name.rstrip("0123456789")
        port = name[len(before) :]
        if not port:
            tokens = labels.TOKEN.findall(labels.fold(name)) or [""]
            before, port = "\0".join(tokens[:-1]), tokens[-1]
        if before not in number:
            number[before] = len(heads)
            heads.append(tuple(labels.TOKEN.findall(labels.fold(before))))
        head_of.append(number[before])
        ports.append(port)
    return _Labels(ids, heads, head_of, ports)


Groups = list[tuple[str, ...]]


def _alike(ids: Sequence[str], forms: Sequence[str]) -> Groups:
    """Return the ids that share a form."""
    if len(set(forms)) == len(ids):
        return []
    groups: dict[str, list[str]] = defaultdict(list)
    for name, form in zip(ids, forms, strict=True):
        groups[form].append(name)
    return [tuple(names) for names in groups.values() if len(names) > 1]


def _without(groups: Groups, named: Groups) -> Groups:
    known = set(named)
    return [group for group in groups if group not in known]


def _of_groups(groups: Groups, what: str) -> str:
    if not groups:
        return ""
    count = sum(len(group) for group in groups)
    shown = "; ".join(" and ".join(f"'{name}'" for name in g[:SHOWN]) for g in groups[:SHOWN])
    return f"{count} labels {what}: {shown}{_more(groups)}"


def _more(found: Collection[object]) -> str:
    return f"; and {len(found) - SHOWN} more such cases" if len(found) > SHOWN else ""


def _ends(links: pd.DataFrame, of: dict[str, str]) -> str:
    """Name links whose label is the name of another link's end; `of`: link by normalised label."""
    pairs = []
    for column in ("a_end", "b_end"):
        ends = links[column].to_list()
        for own, end, key in zip(links["link_id"], ends, _split(ends).keys(), strict=True):
            other = of.get(key, own) if end else own
            if other != own:
                pairs.append((other, own, end))
    if not pairs:
        return ""
    shown = "; ".join(f"'{o}' is a link and the end '{e}' of '{n}'" for o, n, e in pairs[:SHOWN])
    what = "label also names" if len(pairs) == 1 else "labels also name"
    return f"{len(pairs)} {what} an end of another link: {shown}{_more(pairs)}"


def _panels(plan: _Labels) -> str:
    """Name pairs of panels that one slip of the keypad turns into each other."""
    ports: dict[str, set[str]] = defaultdict(set)
    texts = ["".join(tokens) for tokens in plan.heads]
    for head, port in zip(plan.head_of, plan.ports, strict=True):
        ports[texts[head]].add(port)
    if 2 * len(ports) > len(plan.ids):
        return ""  # no panels in these labels: they count on as one long row
    pairs = [(a, b) for a, b in sorted(_slips(ports)) if not ports[a].isdisjoint(ports[b])]
    if not pairs:
        return ""
    shown = "; ".join(f"'{a}' and '{b}'" for a, b in pairs[:SHOWN])
    what = "pair of panels is" if len(pairs) == 1 else "pairs of panels are"
    return f"{len(pairs)} {what} one slip of the keypad apart: {shown}{_more(pairs)}"


def _slips(heads: Collection[str]) -> set[tuple[str, str]]:
    """Return pairs of heads one slip apart: a key beside it, a sign doubled or two exchanged."""
    found = set()
    holes: dict[tuple[str, str], list[str]] = defaultdict(list)
    for head in heads:
        for at, sign in enumerate(head):
            holes[head[:at], head[at + 1 :]].append(sign)
            once = head[:at] + head[at + 1 :]
            if at and head[at - 1] == sign and once in heads:
                found.add((once, head))
            turned = head[:at] + head[at + 1 : at + 2] + sign + head[at + 2 :]
            # two figures exchanged are two panels of one count: 12 and 21 stand in every long row
            if turned > head and turned in heads and not head[at : at + 2].isdecimal():
                found.add((head, turned))
    for (before, after), signs in holes.items():
        for a, b in combinations(sorted(set(signs)), 2):
            if _beside(a, b):
                found.add((before + a + after, before + b + after))
    return found


def _beside(a: str, b: str) -> bool:
    """Say whether two letters lie side by side on a keyboard and do not follow in the alphabet."""
    return abs(ord(a) - ord(b)) > 1 and any(a + b in row or b + a in row for row in ROWS)


def _shortened(plan: _Labels, ports: Sequence[str]) -> str:
    """Say how many last parts of a label name one link only, where the last two do not."""
    heads = [labels.tokens("-".join(tokens)) for tokens in plan.heads]
    longest = 1 + max((len(tokens) for tokens in heads), default=0)
    said = ""
    for count in range(2, longest + 1):
        last = [tokens[1 - count :] for tokens in heads]
        number = {ending: n for n, ending in enumerate(dict.fromkeys(last))}
        of = [number[ending] for ending in last]
        endings = Counter([(of[h], port) for h, port in zip(plan.head_of, ports, strict=True)])
        (_, most) = max(endings.items(), key=lambda item: item[1])
        if most == 1:
            return said and f"{said}: the last {count} parts are needed to tell all apart"
        if count == 2:
            several = sum(n for n in endings.values() if n > 1)
            at = next(n for n, h in enumerate(plan.head_of) if endings[of[h], ports[n]] == most)
            example = labels.tail(plan.ids[at], 2) or plan.ids[at]
            said = (
                f"shortened to the last two parts, {several} labels fit several panels "
                f"('{example}' fits {most} links)"
            )
    return said
