"""Write big dumps and the plans that match them, to measure with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from desk.demo import physics

PORTS = 48
WAVELENGTHS = (850, 1300)
PANELS_PER_ROOM = 20
ROWS_PER_PORT = len(WAVELENGTHS)
SECONDS_TO_NEXT_ROW = 20
SECONDS_TO_NEXT_ROOM = 4 * 3600
"""A crew of several rests before its next room, which so is a run of its own."""
UNTESTED = 2
"""Panels that each crew of several has still to do."""
FIRST_ROW = np.datetime64("2026-01-05T08:00:00")


@dataclass(frozen=True)
class Bulk:
    """A plan and the dumps that belong to it."""

    plan: Path
    dumps: tuple[Path, ...]
    links: int
    rows: int
    """Stored rows over all dumps; each is one reading."""


def write(
    folder: Path,
    readings: int,
    *,
    seed: int = 1,
    both: bool = True,
    dumps: int = 1,
    later: int = 0,
    slips: float = 0.0,
    crews: int = 1,
) -> Bulk:
    """Write `readings` stored rows in the layout `comma-preamble` and the plan they belong to.

    Every link is tested at two wavelengths, in both directions if `both`, panel by panel. `slips`
    is the share of records whose label has one wrong digit; the last `later` rows are a dump of
    their own. Several `crews`, each with its own meter and dumps, share the panels among them, and
    each has `UNTESTED` yet to do. The same arguments, the same bytes.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    ways = 2 if both else 1
    count = tested = -(-readings // (ROWS_PER_PORT * ways))
    panels = -(-count // PORTS)
    if crews > 1:
        count += crews * UNTESTED * PORTS
    links = _links(count, both)
    plan = folder / "plan.csv"
    links.to_csv(plan, index=False, lineterminator="\n")
    # panel by panel: port after port one way, then the other way
    panel, way, port = np.meshgrid(
        np.arange(panels), np.arange(ways), np.arange(PORTS), indexing="ij"
    )
    link = (panel * PORTS + port).ravel()
    way = way.ravel()[link < tested]
    link = link[link < tested]
    crew = link // PORTS * crews // panels
    link += crew * UNTESTED * PORTS
    km = links["length_m"].to_numpy(dtype="float64") / 1000
    joints = rng.uniform(*physics.MATED_PAIR_DB, size=(count, 2)).sum(axis=1)
    labels = links["link_id"].to_numpy(dtype="object")[link]
    if slips:
        labels = _slip(np.random.default_rng(seed + 1), labels, slips)
    blocks = []
    for wavelength in WAVELENGTHS:
        alpha = physics.COEFFICIENT_DB_PER_KM["OM4", wavelength]
        noise = rng.normal(0, physics.REPEAT_SPREAD_DB, len(link))
        blocks.append(alpha * km[link] + joints[link] + noise)
    loss = np.stack(blocks, axis=1).ravel()[:readings]
    frame = {
        "label": np.repeat(labels, ROWS_PER_PORT)[:readings],
        "wavelength": np.tile(WAVELENGTHS, len(link))[:readings],
        "way": np.repeat(np.where(way == 0, "A>B", "B>A"), ROWS_PER_PORT)[:readings],
        "loss": np.round(np.maximum(loss, 0.03), 2),
        "crew": np.repeat(crew, ROWS_PER_PORT)[:readings],
        "taken": _taken(link, crew)[:readings],
    }
    paths = []
    for number, rows in enumerate(_parts(frame["crew"], dumps, later), start=1):
        paths.append(folder / f"bulk-{number:03d}.csv")
        paths[-1].write_text(_dump(rows, frame), encoding="utf-8", newline="\n")
    return Bulk(plan, tuple(paths), count, readings)


def _taken(link: np.ndarray, crew: np.ndarray) -> np.ndarray:
    """Return when each row was stored; several crews rest between two rooms."""
    own = np.arange(len(link)) - np.searchsorted(crew, crew)
    seconds = np.repeat(own * ROWS_PER_PORT, ROWS_PER_PORT) + np.tile(
        np.arange(ROWS_PER_PORT), len(link)
    )
    seconds *= SECONDS_TO_NEXT_ROW
    crews = int(crew.max(initial=0)) + 1
    if crews > 1:
        room = np.repeat(link // (PORTS * PANELS_PER_ROOM), ROWS_PER_PORT)
        seconds += room * SECONDS_TO_NEXT_ROOM
    return FIRST_ROW + seconds * np.timedelta64(1, "s")


def _parts(crew: np.ndarray, dumps: int, later: int) -> list[np.ndarray]:
    """Divide the rows into dumps: `dumps` of each crew, and the last rows by themselves."""
    early = np.arange(len(crew) - later)
    bounds = np.flatnonzero(np.diff(crew[early])) + 1
    parts = [part for own in np.split(early, bounds) for part in np.array_split(own, dumps)]
    return [*parts, np.arange(len(crew) - later, len(crew))] if later else parts


def _links(count: int, both: bool) -> pd.DataFrame:
    """Lay out `count` multimode links in panels of 48 and rooms of 20 panels."""
    number = np.arange(count)
    panel, port = number // PORTS, number % PORTS + 1
    room = panel // PANELS_PER_ROOM + 1
    name = pd.Series(room).map("R{:03d}".format) + pd.Series(panel % PANELS_PER_ROOM + 1).map(
        "P{:02d}".format
    )
    ports = pd.Series(port)
    return pd.DataFrame(
        {
            "link_id": name + "-" + ports.map("{:02d}".format),
            "cable": "C" + name,
            "building": pd.Series(room // 10 + 1).map("block {}".format),
            "floor": pd.Series(room % 10).astype("str"),
            "a_end": name + ":" + ports.astype("str"),
            "b_end": "F" + name + ":" + ports.astype("str"),
            "fibre_type": "OM4",
            "environment": "inside",
            "length_m": (40 + (panel * 37) % 110).astype("float64"),
            "length_source": "schedule",
            "connections": 2,
            "splices": 0,
            "wavelengths": " ".join(map(str, WAVELENGTHS)),
            "directions": "both" if both else "a-b",
        }
    )


def _slip(rng: np.random.Generator, labels: np.ndarray, share: float) -> np.ndarray:
    """Give a share of the labels another last digit."""
    slipped = labels.copy()
    for row in np.flatnonzero(rng.random(len(labels)) < share):
        digit = (int(labels[row][-1]) + int(rng.integers(1, 10))) % 10
        slipped[row] = f"{labels[row][:-1]}{digit}"
    return slipped


def _dump(rows: np.ndarray, frame: dict[str, np.ndarray]) -> str:
    """Render some rows as one dump."""
    first = int(rows[0]) if len(rows) else 0
    chosen = slice(first, first + len(rows))
    number = int(frame["crew"][first]) if len(rows) else 0
    clocks = np.char.replace(np.datetime_as_string(frame["taken"][chosen], unit="s"), "T", " ")
    reference = np.array([physics.SOURCE_DBM[nm] for nm in WAVELENGTHS])[rows % ROWS_PER_PORT]
    loss = frame["loss"][chosen]
    body = "\n".join(
        f"{slot},{label},,{nm},{way},{ref:.2f},{level:.2f},{db:.2f},,{clock}"
        for slot, label, nm, way, ref, level, db, clock in zip(
            range(1, len(rows) + 1),
            frame["label"][chosen].tolist(),
            frame["wavelength"][chosen].tolist(),
            frame["way"][chosen].tolist(),
            reference.tolist(),
            (reference - loss).tolist(),
            loss.tolist(),
            clocks.tolist(),
            strict=True,
        )
    )
    return (
        f"Stored fibre tests,form 2\nMeter unit,MA-{9001 + 10 * number}\n"
        f"Source unit,SA-{9002 + 10 * number}\nTester,Okafor\n"
        'Test cords,"one cord, reference grade"\n\n'
        "Entry,Link,Fibre,Wave nm,Way,Ref dBm,Level dBm,Loss dB,Mark,Taken\n"
        f"{body}\nEntries stored,{len(rows)}\n"
    )
