"""The results of the record: one printed row per planned test, cut into pages and parts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from reports import numbers
from reports.document import (
    BREAK,
    RULE,
    Block,
    Cell,
    Column,
    Row,
    breakable,
    heading,
    paged,
    sheet,
    sub,
    text,
    toned,
)  # fmt: skip
from reports.facts import each
from reports.glyphs import printable
from reports.particulars import Particulars
from reports.words import Words, words

LINES_FIRST, LINES = 43.5, 48.0
"""Lines of a results page, the first one with its heading, at SIZE and AIR on A4."""

SIZE, AIR = 9.8, 1.0
"""Points, and mm above and below each line."""

LETTER_LESS = 4.0
"""Lines that a page of US letter paper holds less."""

LINK_LETTERS = 33
"""Letters that fit one line of the link column; more take another line."""

FURTHER_LINE = 0.83
"""Height of a second line in one row, as a part of a row."""

ROWS_PER_PART = 2000
"""Keeps a part near 0.2 GB and a second (measured)."""


def parts(results: pd.DataFrame, given: Particulars, w: Words) -> list[tuple[Block, ...]]:
    """Print `facts.results` as parts of whole pages; the first part carries the heading."""
    columns = [
        Column(w("record.row"), 11, "r"), Column(w("record.link_long"), 0),
        Column(w("record.nm"), 11, "r"), Column(w("record.way"), 11),
        Column(w("record.loss"), 14, "r"), Column(w("record.limit"), 13, "r"),
        Column(w("record.margin"), 14, "r"), Column(w("record.u"), 11, "r"),
        Column(w("record.result"), 27), Column(w("record.tested"), 19),
    ]  # fmt: skip
    less = LETTER_LESS if given.paper == "us-letter" else 0.0
    pages = paged(*rows(results, given, w), LINES_FIRST - less, LINES - less)
    made: list[tuple[Block, ...]] = []
    batch: list[list[Row]] = []
    for page in pages:
        batch.append(page)
        if sum(map(len, batch)) >= ROWS_PER_PART:
            made.append((BREAK, sheet(columns, batch, SIZE, AIR)))
            batch = []
    if batch:
        made.append((BREAK, sheet(columns, batch, SIZE, AIR)))
    opening = (BREAK, heading(w("record.results")), text(w("record.results_text")))
    return [(*opening, *made[0][1:]), *made[1:]]


def elsewhere(volumes: int, w: Words) -> tuple[Block, ...]:
    """Say in which further volumes the results stand."""
    last = volumes + 1
    return (BREAK, heading(w("record.results")), text(w("record.in_volumes", last=last)))


def rows(results: pd.DataFrame, given: Particulars, w: Words) -> tuple[list[Row], list[float]]:
    """Write the rows with a sub-heading per cable, and how many lines each one takes."""
    shown = texts(results, given, w)
    made: list[Row] = []
    weights: list[float] = []
    cable = None
    for r, (start, about) in zip(each(shown), beside(shown), strict=True):
        if r.cable != cable:
            cable = r.cable
            made.append(sub(r.title))
            weights.append(1.9)
        beneath = breakable(printable("\n".join(about)), LINK_LETTERS - 4)
        cells: list[Cell] = [str(r.row), beneath, r.nm, r.direction, r.loss, r.limit, r.margin, r.u,
                             r.verdict, r.when]  # fmt: skip
        if start and len(about) == 1:
            cells[1] = toned("mark", beneath)
        if r.bad:
            cells[4:9] = [toned("fail", str(cell)) for cell in cells[4:9]]
        made.append([RULE, *cells] if start else cells)
        lines = sum(-(-max(len(line), 1) // LINK_LETTERS) for line in about)
        weights.append(1.0 + FURTHER_LINE * max(lines - 1, 0))
    return made, weights


def beside(shown: pd.DataFrame) -> Iterator[tuple[bool, list[str]]]:
    """Tell for each row of `texts` whether it begins a link, and what stands in its link column.

    A link's name, ends and build stand beside its first tests; where it has fewer tests than
    lines, its last test carries the rest.
    """
    size = shown.groupby("link_id", sort=False).size()
    left, lines = 0, [""]
    for r in each(shown):
        start = left == 0
        if start:
            left = int(size[r.link_id])
            lines = [line for line in (r.link_id, r.ends, r.build) if line]
        yield start, lines[:1] if left > 1 else lines
        lines = lines[1:] if left > 1 else []
        left -= 1


def printed(results: pd.DataFrame, given: Particulars) -> Iterator[str]:
    """Give every row as it must be found on paper, without any white space."""
    w = words(given.language)
    shown = texts(results, given, w)
    for r, (_, about) in zip(each(shown), beside(shown), strict=True):
        cells = (str(r.row), printable("".join(about)), r.nm, r.direction, r.loss, r.limit,
                 r.margin, r.u, r.verdict, r.when)  # fmt: skip
        yield "".join("".join(cells).split())


def texts(results: pd.DataFrame, given: Particulars, w: Words) -> pd.DataFrame:
    """Write every shown cell of the results: the same words for print, screen and proof.

    Columns: row, link_id, cable, title, ends, build, nm, direction, loss, limit, margin, u,
    verdict, when, bad.
    """
    style, digits = w.style, results["digits"].to_numpy()
    level = results["loss_db"].where(results["loss_db"].notna(), results["power_dbm"])
    power = results["loss_db"].isna() & results["power_dbm"].notna()
    length = numbers.lengths(results["length_m"], given.length_unit, style)
    named = {grade: w.label("grade", grade) for grade in results["grade"].unique()}
    states = {state: w.label("state", state) for state in results["state"].unique()}
    verdict = results["grade"].map(named).where(
        results["grade"] != "", results["state"].map(states)
    )  # fmt: skip
    verdict = verdict.mask(results["marginal"], verdict + ", " + w("record.marginal"))
    title = results["cable"] + " · " + results["building"] + " · " + results["area"]
    built = [
        w("record.details", fibre=fibre, length=far, unit=given.length_unit,
          connections=_whole(joints), splices=_whole(splices))
        for fibre, far, joints, splices in zip(
            results["fibre_type"], length, results["connections"], results["splices"], strict=True
        )
    ]  # fmt: skip
    nm = results["wavelength_nm"].astype("str").mask(results["wavelength_nm"] == 0, "")
    return pd.DataFrame(
        {
            "row": results["row"],
            "link_id": results["link_id"],
            "cable": results["cable"],
            "title": title.str.replace(r"( · )+", " · ", regex=True).str.strip(" ·"),
            "ends": (results["a_end"] + " – " + results["b_end"]).str.strip(" –"),
            "build": built,
            "nm": nm,
            "direction": results["direction"],
            "loss": [
                value + unit
                for value, unit in zip(
                    numbers.decibels(level, digits, style), np.where(power, " dBm", ""), strict=True
                )
            ],
            "limit": _limits(results, digits, style),
            "margin": numbers.decibels(results["margin_db"], digits, style, signed=True),
            "u": numbers.decibels(results["uncertainty_db"], digits, style),
            "verdict": verdict,
            "when": [numbers.date(at, style) if at else "" for at in results["taken_at"].str[:10]],
            "bad": results["grade"].isin(("fail", "conditional-fail")),
        }
    )


def _limits(results: pd.DataFrame, digits: numbers.Integers, style: numbers.Style) -> list[str]:
    """Write each limit; of an absolute power the window in dBm."""
    shown = numbers.decibels(results["limit_db"], digits, style)
    window = (results["min_dbm"].notna() | results["max_dbm"].notna()).to_numpy()
    if window.any():
        low = numbers.decibels(results["min_dbm"], digits, style)
        high = numbers.decibels(results["max_dbm"], digits, style)
        for i in np.flatnonzero(window):
            shown[i] = f"{low[i]}…{high[i]}"
    return shown


def _whole(value: float) -> str:
    return numbers.ABSENT if value != value else f"{value:g}"
