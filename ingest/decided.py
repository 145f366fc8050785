"""What each region depends on beside the ground, as digests: a change reaches its region alone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping
from functools import cached_property
from typing import Any

import numpy as np

from rules import tables
from rules.columns import Ints
from rules.evaluation import Decisions, RunSheets
from rules.pairing import Ground


class Digests:
    """What people decided, by what it concerns, so that a change reaches its region alone."""

    def __init__(
        self, mark: str, ground: Ground, decided: Decisions, run_sheets: RunSheets,
        dumps: Mapping[str, tuple[Any, ...]],
    ) -> None:  # fmt: skip
        self.dumps, self.run_sheets = dumps, run_sheets
        answers, acts = (
            [tuple(row) for row in frame.itertuples(index=False)]
            for frame in (decided.answers, decided.acts)
        )
        number = ground.place.number if acts or answers else {}
        place = list(tables.ANSWERS)
        action, ids, links = (place.index(name) for name in ("action", "reading_ids", "link_ids"))
        self._answers: dict[str, list[Any]] = {}
        self._acts: dict[int, list[Any]] = {}
        wide: list[Any] = []
        for row in answers:
            named = {one.partition(".")[0] for one in json.loads(row[ids] or "[]")}
            for dump in named:
                self._answers.setdefault(dump, []).append(row)
            if row[action] == "alias" or not named:
                wide.append(row)
            if row[action] == "retest":  # such links are listed, wherever the readings belong
                for link in set(json.loads(row[links] or "[]")).intersection(number):
                    self._acts.setdefault(number[link], []).append(row)
        kind, subject, argument = (
            list(tables.ACTS).index(name) for name in ("kind", "subject", "argument")
        )
        noted: list[int] = []
        for row in acts:
            # the name of a limit set may be that of a link
            if row[subject] not in number or row[kind] == "confirm-limit":
                wide.append(row)
                continue
            self._acts.setdefault(number[row[subject]], []).append(row)
            if row[kind] == "note" and row[argument] in ("skipped", "blocked"):
                noted.append(number[row[subject]])
        # from the first on notes are evidence of all records of one fibre, or of two
        told = noted and [
            bool((ground.grid(pairs=two).unit_of[noted] >= 0).any()) for two in (False, True)
        ]
        self.ground = digest_of(mark, ground.digest, wide, told)

    def of(self, dumps: Iterable[str], sheets: Collection[str], links: Ints) -> str:
        """Return the digest of all that a region depends on beside the ground."""
        held = sorted(dumps)
        said = [self._said.get(sheet, []) for sheet in sorted(sheets)]
        return digest_of(
            [(one, self.dumps[one], self._answers.get(one[:16], [])) for one in held],
            said,
            self.acts(links),
        )

    def acts(self, links: Ints) -> list[Any]:
        """Return what people said of some links (rows of the plan): acts, and links to retest."""
        if not self._acts:
            return []
        acted = np.fromiter(self._acts, dtype="int64")
        told = np.sort(acted[np.isin(acted, links)]).tolist()
        return [act for link in told for act in self._acts[link]]

    @cached_property
    def _said(self) -> dict[str, list[Any]]:
        """What each run sheet says, by its id."""
        out: dict[str, list[Any]] = {}
        for frame in (self.run_sheets.sheets, self.run_sheets.checks):
            for row in frame.itertuples(index=False):
                out.setdefault(str(row.sheet_id), []).append(tuple(row))
        return out


def digest_of(*parts: object) -> str:
    """Return one hash over some plain values."""
    return hashlib.sha256(repr(parts).encode()).hexdigest()
