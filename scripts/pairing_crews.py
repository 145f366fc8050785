"""Invented plans and crews at work, for judging the pairing. Every draw comes from the seed.

The rates are engineering guesses, set so that matching by label alone does about as well (and as
badly) as it does on real keypads; they are not fitted to anything the engine ships.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rules import tables

STYLES = ("long", "short", "tia")
"""`tia` follows the pattern floor-and-space, panel, port of ANSI/TIA-606 (from memory)."""

NOISES = ("low", "medium", "high")


@dataclass(frozen=True)
class Rates:
    """How often what goes wrong, per record unless said otherwise."""

    skip: float
    slip_after_skip: float
    notice: float
    slip: float
    key: float
    """Per typed sign."""
    swap_order: float
    swap_labels: float
    retest: float
    outside: float
    wrong_panel: float
    """Per panel: it keeps the last panel's prefix."""
    overrun: float
    """Per change of panel with a counting meter."""
    short_runs: float
    """Share of runs that type panel and port only; others the far end."""
    sloppy: float
    """Share of runs without the plan's separators or case."""


RATES = {
    "low": Rates(
        0.003, 0.20, 0.15, 0.0005, 0.0012, 0.002, 0.0006, 0.01, 0.003, 0.005, 0.010, 0.06, 0.15
    ),
    "medium": Rates(
        0.010, 0.25, 0.12, 0.0012, 0.009, 0.005, 0.002, 0.03, 0.008, 0.010, 0.020, 0.25, 0.40
    ),
    "high": Rates(
        0.025, 0.40, 0.10, 0.0040, 0.040, 0.010, 0.006, 0.05, 0.020, 0.030, 0.050, 0.45, 0.60
    ),
}

KEYPAD = ("1", "ABC2", "DEF3", "GHI4", "JKL5", "MNO6", "PQRS7", "TUV8", "WXYZ9", "0")
ROWS = ("1234567890", "QWERTYUIOP", "ASDFGHJKL", "ZXCVBNM")


def plan(style: str, links: int, rng: np.random.Generator) -> pd.DataFrame:
    """Make table LINKS with about `links` links: rooms of a few panels of 12 to 48 ports."""
    rows: list[dict[str, object]] = []
    building, floor, room, panel = 1, 1, 0, 0
    while len(rows) < links:
        room += 1
        if room > 4:
            room, floor = 1, floor + 1
        if floor > 6:
            floor, building = 1, building + 1
        backbone = rng.random() < 0.6
        for number in range(1, int(rng.integers(1, 5)) + 1):
            panel += 1
            ports = int(rng.choice([12, 24, 24, 24, 48]))
            base = float(rng.uniform(30, 400))
            kind = "OS2" if panel % 3 else "OM4"
            for port in range(1, ports + 1):
                space = f"{floor}{'ABCD'[room - 1]}"
                if style == "long":
                    name = f"B{building}-F{floor:02d}-TR{space}-P{number:02d}-{port:02d}"
                    end = f"TR{space}-P{number:02d}:{port:02d}"
                elif style == "short":
                    name, end = f"{panel:03d}-{port:02d}", f"P{panel:03d}:{port:02d}"
                else:
                    name = f"{building}{space}.{'ABCDEF'[number - 1]}{number:02d}:{port:02d}"
                    end = f"{building}{space}-{number:02d}:{port:02d}"
                length = base if backbone else float(rng.uniform(20, 90))
                rows.append(
                    {
                        "link_id": name, "kind": "link", "fibre_type": kind, "cable": f"K{panel}",
                        "building": f"B{building}", "floor": str(floor), "area": f"TR{space}",
                        "a_end": end, "b_end": f"M{building}-R{panel:03d}:{port:02d}",
                        "length_m": round(length, 1), "connections": 2, "splices": 0,
                        "wavelengths": "850 1300" if kind == "OM4" else "1310 1550",
                        "directions": "a-b", "position": len(rows) + 1,
                    }
                )  # fmt: skip
    return tables.conform(pd.DataFrame(rows), tables.LINKS)


@dataclass
class _Job:
    links: list[dict[str, object]]
    loss: np.ndarray
    """Per link and wavelength, what a perfect meter finds (dB)."""


def job(
    style: str, noise: str, seed: int, links: int = 2000, visits: int = 1
) -> tuple[pd.DataFrame, pd.DataFrame, pd.Series]:
    """Make a plan, the working table of its dumps, and the true link of each reading.

    visits: 2 tests each panel a second time, from the other end, by another crew.
    The truth is empty for readings of something outside the plan.
    """
    rng = np.random.default_rng([seed, STYLES.index(style), NOISES.index(noise), visits])
    table = plan(style, links, rng)
    rows = table.to_dict("records")
    coefficient = np.where(table["fibre_type"] == "OM4", 3.0, 0.4)
    second = np.where(table["fibre_type"] == "OM4", 1.0, 0.25)
    ends = np.abs(rng.normal(0.35, 0.16, len(rows)))
    loss = np.stack([table["length_m"] / 1000 * c + ends for c in (coefficient, second)], axis=1)
    work = _Job(rows, loss)
    by_panel = [g.index.to_numpy() for _, g in table.groupby("cable", sort=False)]
    made: list[dict[str, object]] = []
    for visit in range(visits):
        start, at = 0, 1.7e9 + visit * 6e5
        while start < len(by_panel):
            count = int(rng.integers(1, 6))
            run = f"R{visit}-{start:04d}"
            at = _run(made, work, by_panel[start : start + count], run, visit, at, noise, rng)
            at += float(rng.uniform(2e3, 4e3))
            start += count
    frame = pd.DataFrame(made)
    frame["reading_id"] = [f"{n:07d}" for n in range(len(frame))]
    columns = ["run_id", "utc_s", "order"]
    working = tables.conform(frame, tables.STORED).assign(
        duplicate_of="", **{name: frame[name] for name in columns}
    )
    working["duplicate_of"] = working["duplicate_of"].astype("str")
    working["run_id"] = working["run_id"].astype("str")
    return table, working, frame["truth"].astype("str")


def _run(
    made: list[dict[str, object]], work: _Job, panels: list[np.ndarray], run: str, visit: int,
    at: float, noise: str, rng: np.random.Generator,
) -> float:  # fmt: skip
    rate = RATES[noise]
    counting = bool(rng.random() < 0.6)
    drawn = rng.random()
    form = "full" if drawn > rate.short_runs else ("end" if drawn < rate.short_runs / 4 else "tail")
    sloppy = bool(rng.random() < rate.sloppy)
    keypad = bool(rng.random() < 0.5)
    bias = rng.normal(0, 0.06, 2)
    down = bool(rng.random() < 0.08)
    visits: list[tuple[int, str]] = []
    last: str | None = None
    carried = 0
    for number, ports in enumerate(panels):
        order = list(ports[::-1] if down else ports)
        for i in range(len(order) - 1):
            if rng.random() < rate.swap_order:
                order[i], order[i + 1] = order[i + 1], order[i]
        prefix, width = _prefix(work, order[0], form)
        if number and rng.random() < rate.wrong_panel and last is not None:
            prefix = last
        elif counting and number and not down and rng.random() < rate.overrun and last is not None:
            prefix, carried = last, len(panels[number - 1])
        typed_prefix = _mistype(prefix, rate.key, keypad, rng)
        shift = 0
        for link in order:
            port = int(str(work.links[link]["a_end"]).rpartition(":")[2])
            if carried and rng.random() < rate.notice / 2:
                carried, prefix = 0, _prefix(work, link, form)[0]
                typed_prefix = _mistype(prefix, rate.key, keypad, rng)
            if rng.random() < rate.skip:
                if counting and rng.random() < rate.slip_after_skip:
                    shift += 1 if down else -1
                continue
            if counting and rng.random() < rate.slip:
                shift += int(rng.choice([-1, 1]))
            if shift and rng.random() < rate.notice:
                shift = 0
            shown = max(port + shift + carried, 0)
            if not counting:
                typed_prefix = _mistype(prefix, rate.key, keypad, rng)
            digits = f"{shown:0{width}d}"
            label = typed_prefix + (digits if counting else _mistype(digits, rate.key, keypad, rng))
            visits.append((int(link), _style(label, sloppy)))
            if rng.random() < rate.retest:
                visits.append((int(link), _style(label + str(rng.choice(["", "R"])), sloppy)))
            if rng.random() < rate.outside:
                visits.append((-1, _foreign(typed_prefix, len(order), rng)))
        last = prefix
        carried = 0 if rng.random() < 0.8 else carried
    for i in range(len(visits) - 1):
        if rng.random() < rate.swap_labels:
            (a, la), (b, lb) = visits[i], visits[i + 1]
            visits[i], visits[i + 1] = (a, lb), (b, la)
    previous = -1
    for record, (link, label) in enumerate(visits, 1):
        near = link >= 0 and previous >= 0 and abs(link - previous) < 3
        at += float(rng.lognormal(3.6 if near else 4.8, 0.4))
        previous = link
        for column in (0, 1):
            if link >= 0:
                nm = int(str(work.links[link]["wavelengths"]).split()[column])
                value = work.loss[link, column] + bias[column] + rng.normal(0, 0.05)
            else:
                nm, value = (1310, 1550)[column], abs(rng.normal(0.5, 0.3))
            made.append(
                {
                    "dump_sha256": f"dump-{run}", "record": record, "line": 2 * record + column,
                    "slot": record, "label": label, "wavelength_nm": nm, "quantity": "attenuation",
                    "loss_db": round(float(value), 2), "state": "ok", "run_id": run,
                    "utc_s": round(at), "order": record, "meter_serial": f"m{visit}",
                    "direction": "b-a" if visit else "a-b", "clock_state": "ok",
                    "truth": str(work.links[link]["link_id"]) if link >= 0 else "",
                }
            )  # fmt: skip
    return at


def _prefix(work: _Job, link: int, form: str) -> tuple[str, int]:
    text = str(work.links[link]["b_end" if form == "end" else "link_id"])
    cut = len(text.rstrip("0123456789"))
    head = text[:cut]
    if form == "tail":
        parts = head.rstrip("-:").replace(".", "-").split("-")
        head = f"{parts[-1]}-"
    return head, len(text) - cut


def _style(label: str, sloppy: bool) -> str:
    return label.replace("-", " ").lower() if sloppy else label


def _foreign(prefix: str, ports: int, rng: np.random.Generator) -> str:
    pick = rng.random()
    if pick < 0.4:
        return f"{prefix}{ports + int(rng.integers(1, 4)):02d}"
    if pick < 0.6:
        return "SPARE"
    if pick < 0.8:
        return ""
    return f"X{int(rng.integers(1, 99)):02d}"


def _mistype(text: str, key: float, keypad: bool, rng: np.random.Generator) -> str:
    out: list[str] = []
    for sign in text:
        if rng.random() >= key:
            out.append(sign)
            continue
        pick = rng.random()
        if pick < 0.25:
            continue
        if pick < 0.4:
            out += [sign, sign]
        elif pick < 0.55 and out:
            out.insert(-1, sign)
        else:
            out.append(_near(sign, keypad, rng))
    return "".join(out)


def _near(sign: str, keypad: bool, rng: np.random.Generator) -> str:
    upper = sign.upper()
    for row in KEYPAD if keypad else ROWS:
        if upper in row and len(row) > 1:
            if keypad:
                return str(rng.choice([c for c in row if c != upper]))
            place = row.index(upper)
            return row[min(max(place + int(rng.choice([-1, 1])), 0), len(row) - 1)]
    return str(rng.choice(list("0123456789")))
