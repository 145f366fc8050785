"""What the invented meters stored, a row per record and wavelength, before anything goes wrong."""

from __future__ import annotations

import numpy as np
import pandas as pd

from desk.demo import physics
from desk.demo.planted import SPARES
from desk.demo.visits import DUMPS, METERS, VISITS, Visit

MINUTES = "%Y-%m-%d %H:%M"
SECONDS_TO_NEXT_PORT = (38, 62)
"""Shortest and longest; common practice, no source."""
SECONDS_TO_NEXT_WAVELENGTH = 8
OUTSIDE = {"S06": SPARES}
"""Visits at whose end strands outside the plan were tested too."""


def reference_dbm(visit: Visit, wavelength_nm: int) -> float:
    """Return the level that the meter kept as reference of a visit, rounded as it shows it.

    Sources come back a little different each time they are set up; the step follows the time of
    the reference, so that papers and dumps agree and a reference used again has the same level.
    """
    at = pd.Timestamp(visit.reference_at)
    step = (at.minute + 3 * at.hour + 7 * at.day + wavelength_nm // 50) % 19 - 9
    return round(physics.SOURCE_DBM[wavelength_nm] + step * 0.02, 2)


def tests(rng: np.random.Generator, links: pd.DataFrame) -> pd.DataFrame:
    """Measure every visit's ports in order.

    Columns: memory (the dump that empties it), sheet, meter, slot, port (0 for the reference),
    label, link_id (empty for references and strands outside the plan), direction, at (true local
    time), clock (what the meter shows), wavelength_nm, reference_dbm, loss_db (NaN for
    references), state, kind (`link`, `reference`, `outside-plan`).
    """
    records = pd.concat([_records(rng, visit) for visit in VISITS], ignore_index=True)
    rows = _rows(records.merge(_wavelengths(links), on="panel"))
    measured = rows.merge(
        physics.clean_losses(rng, links), how="left", on=["link_id", "wavelength_nm", "direction"]
    )
    spare = (measured["kind"] == "outside-plan").to_numpy()
    guess = rng.uniform(0.4, 0.9, len(measured))
    noise = rng.normal(0, physics.REPEAT_SPREAD_DB, len(measured))
    measured["loss_db"] = np.where(spare, guess, measured["loss_db"] + noise)
    by_sheet = {visit.sheet: visit for visit in VISITS}
    measured["reference_dbm"] = [
        reference_dbm(by_sheet[sheet], wavelength)
        for sheet, wavelength in zip(measured["sheet"], measured["wavelength_nm"], strict=True)
    ]
    return measured.assign(clock=measured["at"], state="ok")


def _records(rng: np.random.Generator, visit: Visit) -> pd.DataFrame:
    """Lay out the records of one visit: the reference first, if it was stored that day."""
    ports = list(range(visit.first, visit.last + 1))
    labels = [f"{visit.panel}-{port:02d}" for port in ports]
    spares = list(OUTSIDE.get(visit.sheet, ()))
    count = len(ports) + len(spares)
    seconds = rng.integers(*SECONDS_TO_NEXT_PORT, size=count, endpoint=True)
    at = pd.Timestamp(visit.start) + pd.to_timedelta(np.cumsum(seconds) - seconds[0], unit="s")
    frame = pd.DataFrame(
        {
            "port": ports + [900 + number for number in range(len(spares))],
            "label": labels + spares,
            "link_id": labels + [""] * len(spares),
            "kind": ["link"] * len(ports) + ["outside-plan"] * len(spares),
            "at": at,
        }
    )
    fresh = visit.reference_at[:10] == visit.start[:10]
    if METERS[visit.meter].stores_reference and fresh:
        taken = pd.Timestamp(visit.reference_at)
        first = pd.DataFrame(
            {"port": 0, "label": "REF", "link_id": "", "kind": "reference", "at": [taken]}
        )
        frame = pd.concat([first, frame], ignore_index=True)
    return frame.assign(
        sheet=visit.sheet, meter=visit.meter, panel=visit.panel, direction=visit.direction
    )


def _rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Time and number the stored rows as each memory does: from 1 after it was cleared by a dump.

    A visit that is in two dumps was not cleared between them, so the later dump decides. Meters
    that store one row per wavelength give each its own slot and time.
    """
    memory = rows["sheet"].map({sheet: name for name, held in DUMPS.items() for sheet in held})
    rows = rows.assign(memory=memory).sort_values(
        ["memory", "at", "wavelength_nm"], kind="stable", ignore_index=True
    )
    place = rows.groupby(["memory", "at"], sort=False).cumcount()
    per_record = rows["meter"].map(lambda name: METERS[name].layout == "wide-slots").to_numpy()
    record = (place == 0).groupby(rows["memory"], sort=False).cumsum()
    row = rows.groupby("memory", sort=False).cumcount() + 1
    slot = np.where(per_record, record, row)
    seconds = np.where(per_record, 0, place * SECONDS_TO_NEXT_WAVELENGTH)
    later = pd.to_timedelta(seconds, unit="s")
    return rows.assign(slot=slot, at=rows["at"] + later)


def _wavelengths(links: pd.DataFrame) -> pd.DataFrame:
    """Say which wavelengths belong to each panel: columns panel, wavelength_nm."""
    panels = links.assign(panel=links["a_end"].str.partition(":")[0])[["panel", "wavelengths"]]
    panels = panels.drop_duplicates("panel")
    split = panels.assign(wavelength_nm=panels["wavelengths"].str.split()).explode("wavelength_nm")
    return split[["panel", "wavelength_nm"]].astype({"wavelength_nm": "int64"})
