"""Who tested which panel when: the invented fortnight of two crews."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Meter:
    """An invented power meter and the source that goes with it."""

    serial: str
    source: str
    layout: str
    """The shipped profile that reads its memory."""
    has_clock: bool
    stores_reference: bool
    """Whether its memory holds the reference, or the loss alone."""


METERS = {
    "A": Meter("MA-1107", "SA-2204", "comma-preamble", has_clock=True, stores_reference=True),
    "B": Meter("MB-0312", "SB-0455", "semicolon-loss", has_clock=True, stores_reference=False),
    "C": Meter("MC-7719", "SC-7801", "wide-slots", has_clock=False, stores_reference=True),
}


@dataclass(frozen=True)
class Visit:
    """One panel tested in one go: what the crew's run sheet says, and what it does not."""

    sheet: str
    meter: str
    panel: str
    first: int
    last: int
    direction: str
    start: str
    """Local time of the first record."""
    reference_at: str
    """Local time of the reference; the day before is a stale one."""
    people: str
    names_end: bool = True
    """Whether the sheet says at which end the meter stood."""
    closing_db: float = 0.02
    notes: str = ""


_DAY = "Okafor, Lindqvist"
_LATE = "Moreau, Hadzic"

VISITS = (
    Visit("S01", "A", "W0A", 1, 48, "a-b", "2026-11-09 08:20", "2026-11-09 08:02", _DAY),
    Visit("S02", "A", "W0B", 1, 48, "a-b", "2026-11-09 10:05", "2026-11-09 09:58", _DAY),
    Visit("S03", "A", "W0C", 1, 48, "a-b", "2026-11-09 13:10", "2026-11-09 13:01", _DAY),
    Visit("S04", "A", "W0D", 1, 36, "a-b", "2026-11-09 15:05", "2026-11-09 14:58", _DAY,
          closing_db=0.41, notes="ports 37 to 48 behind the new duct, not reached"),
    Visit("S05", "B", "K0A", 1, 48, "a-b", "2026-11-09 08:40", "2026-11-09 08:31", _LATE),
    Visit("S06", "B", "K0B", 1, 48, "a-b", "2026-11-09 10:40", "2026-11-09 10:33", _LATE),
    Visit("S07", "B", "K0C", 1, 48, "a-b", "2026-11-09 13:30", "2026-11-09 13:22", _LATE),
    Visit("S08", "C", "W0E", 1, 48, "a-b", "2026-11-10 08:15", "2026-11-10 08:01", _DAY),
    Visit("S09", "C", "W0F", 1, 48, "a-b", "2026-11-10 10:20", "2026-11-10 10:12", _DAY),
    Visit("S10", "C", "W0G", 1, 48, "a-b", "2026-11-10 13:20", "2026-11-10 13:11", _DAY),
    Visit("S11", "C", "W0E", 1, 48, "b-a", "2026-11-11 08:10", "2026-11-10 13:11", _DAY,
          notes="no new reference, source left running over night"),
    Visit("S12", "C", "W0F", 1, 48, "b-a", "2026-11-11 10:20", "2026-11-11 10:12", _DAY),
    Visit("S13", "C", "W0G", 1, 48, "b-a", "2026-11-11 13:15", "2026-11-11 13:06", _DAY),
    Visit("S14", "C", "W0H", 1, 48, "a-b", "2026-11-12 08:20", "2026-11-12 08:04", _DAY),
    Visit("S15", "C", "W0J", 1, 48, "a-b", "2026-11-12 10:30", "2026-11-12 10:22", _DAY),
    Visit("S16", "C", "W0H", 1, 48, "b-a", "2026-11-12 13:30", "2026-11-12 13:20", _DAY,
          names_end=False),
    Visit("S17", "B", "W0K", 1, 24, "a-b", "2026-11-12 09:15", "2026-11-12 09:05", _LATE),
    Visit("S18", "B", "W0K", 1, 24, "b-a", "2026-11-12 10:40", "2026-11-12 10:31", _LATE),
    Visit("S19", "A", "W0B", 30, 30, "a-b", "2026-11-13 09:20", "2026-11-13 09:08", _DAY,
          notes="cleaned both ends of W0B-30"),
)  # fmt: skip

DUMPS = {
    "meter-a-monday.csv": ("S01", "S02", "S03", "S04"),
    "meter-a-friday.csv": ("S01", "S02", "S03", "S04", "S19"),
    "meter-b-monday.txt": ("S05", "S06", "S07"),
    "meter-b-thursday.txt": ("S17", "S18"),
    "meter-c-tuesday.csv": ("S08", "S09", "S10"),
    "meter-c-wednesday.csv": ("S11", "S12", "S13"),
    "meter-c-thursday.csv": ("S14", "S15", "S16"),
}
"""Dumps in the order of arrival. Friday's of meter A holds Monday's memory again, not cleared."""
COPIES = {"copy of meter-a-monday.csv": "meter-a-monday.csv"}
"""Dumps brought twice under another name, byte for byte."""
