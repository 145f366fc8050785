"""The invented plan: two buildings, multimode floors, a single-mode campus backbone."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Cable:
    """One cable and the two panels it joins."""

    name: str
    near: tuple[str, ...]
    """Panels at the A end; each takes `ports` strands in turn."""
    far: tuple[str, ...]
    ports: int
    building: str
    floor: str
    area: str
    route: str
    fibre_type: str
    environment: str
    length_m: float
    splices: int
    wavelengths: str
    directions: str


_MM = ("850 1300", "a-b")
_SM = ("1310 1550", "both")

CABLES = (
    Cable("WM1", ("W0A",), ("W1A",), 48, "Weir house", "1", "offices", "riser west",
          "OM4", "inside", 62.0, 0, *_MM),
    Cable("WM2", ("W0B",), ("W2A",), 48, "Weir house", "2", "offices", "riser west",
          "OM4", "inside", 78.0, 0, *_MM),
    Cable("WM3", ("W0C",), ("W3A",), 48, "Weir house", "3", "workshops", "riser west",
          "OM4", "inside", 96.0, 0, *_MM),
    Cable("WM4", ("W0D",), ("W4A",), 48, "Weir house", "4", "workshops", "riser east",
          "OM4", "inside", 118.0, 0, *_MM),
    Cable("KM1", ("K0A",), ("K1A",), 48, "Kiln house", "1", "lecture rooms", "riser north",
          "OM3", "inside", 85.0, 0, *_MM),
    Cable("KM2", ("K0B",), ("K2A",), 48, "Kiln house", "2", "lecture rooms", "riser north",
          "OM3", "inside", 110.0, 0, *_MM),
    Cable("KM3", ("K0C",), ("K3A",), 48, "Kiln house", "3", "library", "riser north",
          "OM3", "inside", 132.0, 0, *_MM),
    Cable("CS1", ("W0E", "W0F", "W0G"), ("K0E", "K0F", "K0G"), 48, "Weir house", "0", "campus",
          "duct south", "OS2", "outside", 640.0, 2, *_SM),
    Cable("CS2", ("W0H", "W0J"), ("K0H", "K0J"), 48, "Weir house", "0", "campus",
          "duct north", "OS2", "outside", 1480.0, 4, *_SM),
    Cable("WS1", ("W0K",), ("W4K",), 24, "Weir house", "4", "workshops", "riser east",
          "OS2", "indoor-outdoor", 130.0, 0, *_SM),
)  # fmt: skip
STRANDS_PER_TUBE = 12


def links(cables: tuple[Cable, ...] = CABLES) -> pd.DataFrame:
    """Lay out one link per strand; columns are those of the plan sheet, values as typed there."""
    rows = []
    for cable in cables:
        for index, (near, far) in enumerate(zip(cable.near, cable.far, strict=True)):
            for port in range(1, cable.ports + 1):
                strand = index * cable.ports + port
                rows.append(
                    {
                        "link_id": f"{near}-{port:02d}",
                        "cable": cable.name,
                        "building": cable.building,
                        "floor": cable.floor,
                        "area": cable.area,
                        "route": cable.route,
                        "a_end": f"{near}:{port}",
                        "b_end": f"{far}:{port}",
                        "tube": str((strand - 1) // STRANDS_PER_TUBE + 1),
                        "strand": str(strand),
                        "fibre_type": cable.fibre_type,
                        "environment": cable.environment,
                        "length_m": cable.length_m,
                        "length_source": "sheath marks",
                        "connections": 2,
                        "splices": cable.splices,
                        "wavelengths": cable.wavelengths,
                        "directions": cable.directions,
                    }
                )
    return pd.DataFrame(rows)
