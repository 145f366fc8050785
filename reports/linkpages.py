"""One page per link: everything that is known of it, for whoever repairs or disputes it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import pandas as pd

from reports import facts, numbers, record, resulttable
from reports.document import (
    BREAK,
    RULE,
    Block,
    Column,
    Document,
    Row,
    breakable,
    heading,
    pairs,
    plain,
    sheet,
    text,
    toned,
)  # fmt: skip
from reports.glyphs import printable
from reports.particulars import Particulars
from reports.words import Words, words
from rules import applications
from rules.evaluation import Evaluation

LINKS_PER_PART = 120


def chosen(wanted: str, results: pd.DataFrame) -> list[str]:
    """Name the links of `all`, `failed` or a list separated by commas, in plan order.

    Raises KeyError with the ids that no planned link has.
    """
    every = results["link_id"].drop_duplicates()
    if wanted == "all":
        return list(every)
    if wanted == "failed":
        bad = results.loc[results["state"] == "failed", "link_id"]
        return list(every[every.isin(set(bad))])
    ids = {name.strip() for name in wanted.split(",")} - {""}
    unknown = sorted(ids - set(every))
    if unknown:
        raise KeyError(", ".join(unknown))
    return list(every[every.isin(ids)])


def document(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame, links: list[str]
) -> Document:
    """Lay out one page per link in `links`."""
    w = words(given.language)
    look = _Look(evaluation, given, results, links, w)
    parts = [
        tuple(block for link in links[start : start + LINKS_PER_PART] for block in look.page(link))
        for start in range(0, len(links), LINKS_PER_PART)
    ]
    return Document("links", record.meta(given, w, w("links.name")), tuple(parts))


class _Look:
    """The tables of an evaluation, gathered once by link."""

    def __init__(
        self, evaluation: Evaluation, given: Particulars, results: pd.DataFrame,
        links: list[str], w: Words,
    ) -> None:  # fmt: skip
        inside = set(links)
        self.w, self.given = w, given
        self.plan = evaluation.plan.links.set_index("link_id")
        kept = results.loc[results["link_id"].isin(inside)]
        shown = resulttable.texts(kept, given, w).assign(
            limit_name=kept["limit_name"].to_numpy(), run_id=kept["run_id"].to_numpy(),
            kind=kept["kind"].to_numpy(),
        )  # fmt: skip
        self.results = _by(shown)
        pairs_ = evaluation.pairs.loc[evaluation.pairs["link_id"].isin(inside)]
        history = pairs_[["reading_id", "link_id"]].merge(evaluation.readings, on="reading_id")
        live = evaluation.grades.loc[evaluation.grades["grade"] != "superseded", "reading_ids"]
        current = set(live.str.findall(r'"([^"]+)"').explode().dropna())
        history = history.assign(current=history["reading_id"].isin(current))
        self.history = _by(
            history.sort_values(
                ["link_id", "wavelength_nm", "direction", "taken_at_utc", "reading_id"]
            )
        )
        self.findings = _by(evaluation.findings.loc[evaluation.findings["link_id"].isin(inside)])
        used = kept[["link_id", "wavelength_nm", "limit_name", "limit_db"]].drop_duplicates()
        self.limits = _by(used.merge(evaluation.limits.drop_duplicates(
            ["link_id", "wavelength_nm", "limit_name", "limit_db"]),
            on=["link_id", "wavelength_nm", "limit_name", "limit_db"]))  # fmt: skip
        self.supported = _supported(evaluation, inside)
        self.entries: dict[str, list[Any]] = {}
        for entry in given.entries:
            for name in entry.subject.split(", "):
                self.entries.setdefault(name, []).append(entry)

    def page(self, link: str) -> list[Block]:
        """Lay out the page of one link."""
        w = self.w
        plan: dict[Any, str] = self.plan.loc[link].to_dict()
        first = next(iter(self.results.get(link, [])), None)
        path = " · ".join(filter(None, (plan["building"], plan["floor"], plan["area"],
                                        plan["route"], plan["cable"])))  # fmt: skip
        strand = " · ".join(filter(None, (plan["tube"], plan["strand"], plan["pair"])))
        blocks: list[Block] = [
            BREAK,
            heading(link),
            pairs(
                [
                    (w("links.ends"), f"{plan['a_end']} – {plan['b_end']}"),
                    (w("links.path"), " / ".join(filter(None, (path, strand)))),
                    (w("links.built"), first.build if first else ""),
                ],
                26,
            ),
            heading(w("links.results"), 2),
            self._results(link),
            *self._sums(link),
            heading(w("links.history"), 2),
            self._history(link),
        ]
        carried = self.supported.get(link, "")
        if carried:
            blocks += [heading(w("links.supports"), 2), text(carried)]
        noted = self.findings.get(link, [])
        if noted:
            columns = [
                Column(w("record.severity"), 13), Column(w("record.subject"), 42),
                Column(w("record.finding"), 0), Column(w("record.remedy"), 52),
            ]  # fmt: skip
            rows = [plain(r.severity, r.subject, r.message, r.remedy) for r in noted]
            blocks += [heading(w("links.noted"), 2), sheet(columns, [rows])]
        decided = self.entries.get(link, [])
        if decided:
            blocks.append(heading(w("links.decided"), 2))
            blocks += [
                text(f"{numbers.moment(e.at, w.style)} {e.who}: {w.label('kind', e.kind)}. "
                     + " ".join(filter(None, (e.detail, e.why))))
                for e in decided
            ]  # fmt: skip
        return blocks

    def _results(self, link: str) -> Block:
        w = self.w
        columns = [
            Column(w("record.row"), 11, "r"), Column(w("record.nm"), 11, "r"),
            Column(w("record.way"), 11), Column(w("record.loss"), 15, "r"),
            Column(w("record.limit"), 15, "r"), Column(w("record.margin"), 15, "r"),
            Column(w("record.u"), 12, "r"), Column(w("record.result"), 28),
            Column(w("record.tested"), 20), Column(w("record.run"), 0),
        ]  # fmt: skip
        rows: list[Row] = []
        for r in self.results.get(link, []):
            verdict = toned("fail", r.verdict) if r.bad else r.verdict
            rows.append([RULE, str(r.row), r.nm, r.direction, r.loss, r.limit, r.margin, r.u,
                         verdict, r.when, breakable(printable(r.run_id))])  # fmt: skip
        return sheet(columns, [rows], 10.0)

    def _sums(self, link: str) -> list[Block]:
        """Show how each wavelength's limit is made up, term by term."""
        w = self.w
        columns = [
            Column(w("links.term"), 0), Column(w("links.count"), 24, "r"),
            Column(w("links.each"), 26, "r"), Column(w("links.total"), 26, "r"),
            Column(w("record.clause"), 50),
        ]  # fmt: skip
        rows: list[Row] = []
        for r in self.limits.get(link, []):
            terms = json.loads(r.terms or "[]")
            if not terms:
                continue
            total = numbers.decibel(r.limit_db, 2, w.style)
            rows.append([{"k": "sub", "t": printable(f"{r.wavelength_nm} nm · {r.limit_name} · "
                                                     f"{total} dB")}])  # fmt: skip
            rows += [
                plain(str(t.get("term", "")), f"{t.get('count', 0):g}",
                      numbers.decibel(float(t.get("each_db", 0)), 3, w.style),
                      numbers.decibel(float(t.get("db", 0)), 3, w.style),
                      str(t.get("clause", "")))
                for t in terms
            ]  # fmt: skip
        return [heading(w("links.sum"), 2), sheet(columns, [rows])] if rows else []

    def _history(self, link: str) -> Block:
        w = self.w
        columns = [
            Column(w("record.nm"), 11, "r"), Column(w("record.way"), 11),
            Column(w("record.loss"), 22, "r"), Column(w("record.tested"), 28),
            Column(w("record.meter"), 21), Column(w("record.people"), 26),
            Column(w("superseded.dump"), 0), Column(w("links.state"), 16),
        ]  # fmt: skip
        rows = [
            plain(str(r.wavelength_nm), r.direction, self._value(r),
                  numbers.moment(r.taken_at, w.style), r.meter_serial, r.operator,
                  f"{r.dump_name}, {r.line}", w("links.current") if r.current else "")
            for r in self.history.get(link, [])
        ]  # fmt: skip
        return sheet(columns, [rows]) if rows else text(w("common.none"))

    def _value(self, reading: Any) -> str:
        """Write what was read: a loss, else a power, else why there is neither."""
        if reading.loss_db == reading.loss_db:
            return numbers.decibel(reading.loss_db, 2, self.w.style)
        if reading.power_dbm == reading.power_dbm:
            return numbers.decibel(reading.power_dbm, 2, self.w.style) + " dBm"
        return self.w.label("reading_state", reading.state)


def _supported(evaluation: Evaluation, links: set[str]) -> dict[str, str]:
    """Name the network applications that each of `links` carries."""
    measured = applications.results(evaluation.plan.links, evaluation.grades)
    measured = measured.loc[measured["link_id"].isin(links)]
    if measured.empty:
        return {}
    table = applications.supported(measured)
    names = table.loc[table["supported"]].groupby("link_id")["application"].unique()
    return {str(link): ", ".join(sorted(own)) for link, own in names.items()}


def _by(frame: pd.DataFrame) -> dict[str, list[Any]]:
    """Gather rows by link."""
    found: dict[str, list[Any]] = {}
    rows: Iterable[Any] = facts.each(frame)
    for row in rows:
        found.setdefault(row.link_id, []).append(row)
    return found
