"""Invented crews working through a given plan, to calibrate pairing against known truth.

Every draw comes from the seed. Crews differ widely: each draws its own rates from wide ranges
(engineering guesses, no source), so that one map from evidence to confidence serves careful and
careless crews alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import fibres, labels, tables
from rules.pairing import physics
from rules.pairing.grid import Grid

PART = 0.35
"""Share of runs that end in the middle of a panel."""
OTHER_METER = 0.25
"""Share of runs done with a second instrument."""
SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True)
class Crew:
    """Rates of one crew in one run; per record unless said otherwise."""

    counting: bool
    error: float
    """A label comes out wrong."""
    skip: float
    slip_after_skip: float
    slip: float
    notice: float
    retest: float
    outside: float
    swap: float
    exchange: float
    """Two neighbouring labels are given to each other's fibres."""
    wrong_panel: float
    """Per panel."""
    overrun: float
    """Per panel."""
    shortened: int
    """Tokens kept of the label, 0 for the whole."""
    bare: bool
    down: bool


def crew(rng: np.random.Generator, care: float) -> Crew:
    """Draw a crew; care from 0 (careful) to 1 (careless) moves all rates together."""

    def rate(low: float, high: float) -> float:
        at = np.clip(care + rng.normal(0, 0.15), 0, 1)
        return float(low * (high / low) ** at)

    return Crew(
        counting=bool(rng.random() < 0.55),
        error=rate(0.003, 0.4),
        skip=rate(0.002, 0.03),
        slip_after_skip=float(rng.uniform(0.05, 0.5)),
        slip=rate(0.0003, 0.005),
        notice=float(rng.uniform(0.04, 0.25)),
        retest=rate(0.005, 0.06),
        outside=rate(0.001, 0.025),
        swap=rate(0.001, 0.012),
        exchange=rate(0.0003, 0.008),
        wrong_panel=rate(0.003, 0.04),
        overrun=rate(0.004, 0.06),
        shortened=int(rng.choice([2, 3])) if rng.random() < rate(0.04, 0.5) else 0,
        bare=bool(rng.random() < 0.1 + 0.5 * care),
        down=bool(rng.random() < 0.08),
    )


def work(
    grid: Grid, links: pd.DataFrame, rng: np.random.Generator, care: float, visits: int = 1
) -> tuple[pd.DataFrame, np.ndarray]:
    """Let crews test every panel; return a working table and the true unit of each record.

    One reading per planned window and record. The truth is -1 outside the plan; row n of the
    truth belongs to the readings whose `record` is n + 1 of the one dump.
    """
    planned = physics.expected(links, grid)
    loss, multi = planned.loss_db, planned.multimode
    deviation = np.abs(rng.normal(0, 0.16, grid.units))
    rows: list[tuple[str, str, int, int]] = []
    at, meters = 0, [""]
    for visit in range(visits):
        todo = [(panel, 0, int(size)) for panel, size in enumerate(grid.sizes)]
        while todo:
            count = int(rng.integers(1, 7))
            mine, todo = todo[:count], todo[count:]
            panel, start, stop = mine[-1]
            if stop - start > 2 and rng.random() < PART:
                # the day ends in the middle of a panel; another crew goes on, or nobody does
                cut = int(rng.integers(start + 1, stop))
                mine[-1] = (panel, start, cut)
                if rng.random() < 0.7:
                    todo.insert(0, (panel, cut, stop))
            at += 1
            meters.append(f"M{int(rng.random() < OTHER_METER)}")
            for label, unit in _run(grid, mine, crew(rng, care), rng):
                rows.append((f"S{at:05d}", label, unit, visit))
    true = np.array([row[2] for row in rows], dtype=np.int64)
    runs = pd.Series([row[0] for row in rows])
    offset = rng.normal(0, 0.08, (at + 1, 2))[runs.str[1:].astype(int).to_numpy()]
    value = np.where(true[:, None] >= 0, loss[true] + deviation[true][:, None], 0.6)
    value = value + offset + rng.normal(0, 0.05, value.shape)
    serial = np.array(meters, dtype=object)[runs.str[1:].astype(int).to_numpy()]
    mode = np.where(true >= 0, multi[true], 0)
    seconds = np.cumsum(rng.lognormal(3.7, 0.4, len(rows))) + 1.6e9
    made = []
    for column in (0, 1):
        windows = [fibres.USUAL_WAVELENGTHS[m][column] for m in ("single-mode", "multimode")]
        made.append(
            pd.DataFrame(
                {
                    "label": [row[1] for row in rows],
                    "run_id": runs,
                    "record": np.arange(1, len(rows) + 1),
                    "wavelength_nm": np.array(windows)[mode],
                    "loss_db": np.round(value[:, column], 2),
                    "direction": np.where(np.array([row[3] for row in rows]) == 0, "a-b", "b-a"),
                    "utc_s": np.round(seconds),
                    "meter_serial": serial,
                }
            )
        )
    table = pd.concat(made, ignore_index=True)
    stored = tables.conform(
        table.assign(dump_sha256="simulated", quantity="attenuation", state="ok"), tables.STORED
    )
    stored["reading_id"] = [f"{n:07d}" for n in range(len(stored))]
    return stored.assign(
        run_id=table["run_id"].astype("str"),
        utc_s=table["utc_s"],
        order=stored["record"],
        duplicate_of=pd.Series("", index=stored.index, dtype="str"),
    ), true


def _run(
    grid: Grid, work: list[tuple[int, int, int]], by: Crew, rng: np.random.Generator
) -> list[tuple[str, int]]:
    out: list[tuple[str, int]] = []
    lag, named = 0, -1
    panels = [panel for panel, _, _ in work]
    for number, (panel, start, stop) in enumerate(work):
        first, size = int(grid.starts[panel]), int(grid.sizes[panel])
        places = list(range(start, stop))[:: -1 if by.down else 1]
        for i in range(len(places) - 1):
            if rng.random() < by.swap:
                places[i], places[i + 1] = places[i + 1], places[i]
        lag = lag if rng.random() < 0.2 else 0
        carried = 0
        shown = panel
        if number and rng.random() < by.wrong_panel:
            shown = panels[number - 1]
        elif number and by.counting and not by.down and rng.random() < by.overrun:
            shown, carried = panels[number - 1], int(grid.sizes[panels[number - 1]])
        named = shown
        damage = by.counting and rng.random() < by.error / 5
        for place in places:
            if rng.random() < by.skip:
                lag += by.counting and rng.random() < by.slip_after_skip
                continue
            if by.counting and rng.random() < by.slip:
                lag += int(rng.choice([-1, 1]))
            if (lag or named != panel) and rng.random() < by.notice:
                lag, named, carried = 0, panel, 0
            step = -lag if not by.down else lag
            text = _label(grid, named, place + step + carried, by)
            if not by.counting and rng.random() < by.error:
                text = _spoil(text, rng)
            elif damage:
                text = _spoil_head(text, panel)
            out.append((text, first + place))
            if rng.random() < by.retest:
                out.append((text + str(rng.choice(["", "-R"])), first + place))
            if rng.random() < by.outside:
                out.append((_elsewhere(grid, panel, size, by, rng), -1))
    for n in range(len(out) - 1):
        if rng.random() < by.exchange:
            (one, here), (two, there) = out[n], out[n + 1]
            out[n], out[n + 1] = (two, here), (one, there)
    return out


def _label(grid: Grid, panel: int, place: int, by: Crew) -> str:
    first, size = int(grid.starts[panel]), int(grid.sizes[panel])
    unit = first + min(max(place, 0), size - 1)
    text = grid.texts(unit)[0]
    if place >= size or place < 0:
        stem = text.rstrip("0123456789")
        text = f"{stem}{max(place + 1, 0):0{len(text) - len(stem)}d}"
    if by.shortened:
        text = labels.tail(text, by.shortened) or text
    return labels.solid(text) if by.bare and not by.shortened else text


def _spoil(text: str, rng: np.random.Generator) -> str:
    for _ in range(1 + int(rng.random() < 0.2)):
        at, pick = int(rng.integers(len(text))), rng.random()
        sign = str(rng.choice(list(SIGNS[:10] if text[at].isdigit() else SIGNS)))
        if pick < 0.3:
            text = text[:at] + text[at + 1 :]
        elif pick < 0.5:
            text = text[: at + 1] + text[at:]
        elif pick < 0.9:
            text = text[:at] + sign + text[at + 1 :]
        else:
            text = (
                text[: max(at - 1, 0)]
                + text[at : at + 1]
                + text[max(at - 1, 0) : at]
                + text[at + 1 :]
            )
    return text


def _spoil_head(text: str, panel: int) -> str:
    """Damage the same sign of every label of a panel, as a counting meter repeats it."""
    at = panel % max(len(text.rstrip("0123456789")), 1)
    return text[:at] + text[at + 1 :]


def _elsewhere(grid: Grid, panel: int, size: int, by: Crew, rng: np.random.Generator) -> str:
    pick = rng.random()
    if pick < 0.4:
        return _label(grid, panel, size + int(rng.integers(1, 5)), by)
    if pick < 0.6:
        return ""
    return str(rng.choice(["DARK", "Y1", "PATCH 3", "OLD", "77"]))
