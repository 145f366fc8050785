"""Write the memories of the invented meters as the text that comes out of them.

One writer per shipped layout; each gives back, beside the bytes, the line that each test stands on.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from desk.demo.visits import COPIES, DUMPS, METERS, VISITS, Meter

METER_LIMIT_DB = 1.8
"""The one limit that the crew left in the meter that judges by itself."""
TRUTH = (
    "dump_name", "line", "slot", "label", "wavelength_nm", "link_id", "direction", "loss_db",
    "state", "kind", "sheet", "repeat",
)  # fmt: skip

Written = tuple[list[str], list[int]]
"""Lines of a dump without line ends, and the 1-based line of each test."""


def write(folder: Path, tests: pd.DataFrame) -> tuple[tuple[Path, ...], pd.DataFrame]:
    """Write every dump; return the paths in order of arrival and the truth (columns `TRUTH`).

    `repeat` marks rows that an earlier dump already held.
    """
    folder.mkdir(parents=True, exist_ok=True)
    paths, truths, seen = [], [], set[str]()
    for name, sheets in DUMPS.items():
        held = tests[tests["sheet"].isin(sheets)].sort_values(
            ["slot", "wavelength_nm"], kind="stable", ignore_index=True
        )
        meter = METERS[str(held["meter"].iat[0])]
        people = next(visit.people for visit in VISITS if visit.sheet == sheets[0])
        write_lines, encoding = LAYOUTS[meter.layout]
        lines, places = write_lines(held, meter, people.split(", ")[0])
        data = "".join(line + "\r\n" for line in lines).encode(encoding)
        paths.append(folder / name)
        paths[-1].write_bytes(data)
        truth = held.assign(dump_name=name, line=places, repeat=held["sheet"].isin(seen))
        truths.append(truth[list(TRUTH)])
        seen |= set(sheets)
        for copy in (copy for copy, of in COPIES.items() if of == name):
            paths.append(folder / copy)
            paths[-1].write_bytes(data)
    truth = pd.concat(truths, ignore_index=True)
    return tuple(paths), truth.assign(loss_db=truth["loss_db"].round(3))


def comma_preamble(tests: pd.DataFrame, meter: Meter, tester: str) -> Written:
    """Write one row per wavelength with reference, level, loss and the meter's own mark."""
    lines = [
        "Stored fibre tests,form 2",
        f"Meter unit,{meter.serial}",
        f"Source unit,{meter.source}",
        f"Tester,{tester}",
        'Test cords,"one cord, reference grade"',
        "",
        "Entry,Link,Fibre,Wave nm,Way,Ref dBm,Level dBm,Loss dB,Mark,Taken",
    ]
    places = []
    way = {"a-b": "A>B", "b-a": "B>A"}
    for row in tests.to_dict(orient="records"):
        if row["kind"] == "reference":
            cells, direction = [f"{row['reference_dbm']:.2f}", "", "", ""], ""
        elif row["state"] == "no-light":
            cells, direction = (
                [f"{row['reference_dbm']:.2f}", "DARK", "----", ""],
                way[row["direction"]],
            )
        else:
            level = round(row["reference_dbm"] - row["loss_db"], 2)
            loss = row["reference_dbm"] - level
            mark = "ok" if loss <= METER_LIMIT_DB else "over"
            cells = [f"{row['reference_dbm']:.2f}", f"{level:.2f}", f"{loss:.2f}", mark]
            direction = way[row["direction"]]
        places.append(len(lines) + 1)
        lines.append(
            ",".join(
                [str(row['slot']), row['label'], "", str(row['wavelength_nm']), direction, *cells,
                 f"{row['clock']:%Y-%m-%d %H:%M:%S}"]
            )
        )  # fmt: skip
    return [*lines, f"Entries stored,{len(tests)}"], places


def semicolon_loss(tests: pd.DataFrame, meter: Meter, tester: str) -> Written:
    """Write one row per wavelength with the loss alone, decimal comma, clock to the minute."""
    first = tests.drop_duplicates("wavelength_nm")
    lines = [
        "Dämpfungsspeicher;Seite 1",
        f"Messgerät Nr.;{meter.serial}",
        f"Prüfer;{tester}",
        *(
            f"Nullung {row['wavelength_nm']} nm;{_comma(row['reference_dbm'])} dBm;"
            f"{row['clock'] - pd.Timedelta(minutes=9):%d.%m.%Y %H:%M}"
            for row in first.to_dict(orient="records")
        ),
        "-----",
        "Platz;Kennung;Faser;Welle [nm];Dämpfung [dB];Datum;Zeit",
    ]
    places = []
    for row in tests.to_dict(orient="records"):
        value = "kein Licht" if row["state"] == "no-light" else _comma(row["loss_db"])
        places.append(len(lines) + 1)
        lines.append(
            f"{row['slot']:03d};{row['label']};;{row['wavelength_nm']};{value};"
            f"{row['clock']:%d.%m.%Y};{row['clock']:%H:%M}"
        )
    return [*lines, "-----"], places


def wide_slots(tests: pd.DataFrame, meter: Meter, tester: str) -> Written:
    """Write one row per record with a column for each wavelength: power only, no clock, no name."""
    columns = (850, 1300, 1310, 1550)
    lines = [
        f"Power memory\tunit {meter.serial}",
        "\t".join(["Slot", "Use", "Name", *map(str, columns)]),
    ]
    places = []
    for slot, record in tests.groupby("slot", sort=True):
        cells = dict.fromkeys(columns, "")
        for row in record.to_dict(orient="records"):
            if row["kind"] == "reference":
                value = f"{row['reference_dbm']:.2f}"
            elif row["state"] == "no-light":
                value = "Lo"
            else:
                value = f"{row['reference_dbm'] - row['loss_db']:.2f}"
            cells[int(row["wavelength_nm"])] = value
        reference = bool((record["kind"] == "reference").all())
        name = "" if reference else str(record["label"].iat[0])
        places += [len(lines) + 1] * len(record)
        lines.append("\t".join([str(slot), "set" if reference else "pwr", name, *cells.values()]))
    count = tests["slot"].nunique()
    return [*lines, f"== {count} of 500 slots used"], places


def _comma(value: float) -> str:
    return f"{value:.2f}".replace(".", ",")


LAYOUTS: dict[str, tuple[Callable[[pd.DataFrame, Meter, str], Written], str]] = {
    "comma-preamble": (comma_preamble, "utf-8"),
    "semicolon-loss": (semicolon_loss, "cp1252"),
    "wide-slots": (wide_slots, "utf-8"),
}
"""The writer and the character encoding of each shipped layout."""
