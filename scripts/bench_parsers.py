"""Time every layout on large dumps beside pandas.read_csv of as many delimited rows.

    python scripts/bench_parsers.py --lines 200000

Times are processor seconds of this process, so that other work on the machine matters little. Text
layouts are counted in lines, documents and workbooks in records (elements or rows with values).
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import io
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import pandas as pd  # noqa: E402
import xlsxwriter  # noqa: E402

from parsers import account, serial  # noqa: E402
from parsers.dump import Dump  # noqa: E402
from tests.parsers import fixtures  # noqa: E402


def comma(count: int) -> bytes:
    head = ("Stored fibre tests,form 2\nMeter unit,LM-1\n\nEntry,Link,Fibre,Wave nm,Way,Ref dBm,"
            "Level dBm,Loss dB,Mark,Taken\n")  # fmt: skip
    clock = pd.Timestamp("2026-11-03 08:00:00") + pd.to_timedelta(
        pd.RangeIndex(count) * 7, unit="s"
    )
    rows = (
        f"{n},{n // 2000:03d}A.{n // 2 % 1000:03d},,{(850, 1300)[n % 2]},A>B,-19.87,"
        f"{-20.5 - n % 97 / 100:.2f},{0.63 + n % 97 / 100:.2f},ok,{stamp}"
        for n, stamp in enumerate(clock.strftime("%Y-%m-%d %H:%M:%S"), 1)
    )
    return (head + "\n".join(rows) + "\n").encode()


def printer(count: int) -> bytes:
    head = (" LOSS LIST            PAGE 1   UNIT T4410\n WAVE 1310 nm   ZERO -3.02 dBm\n"
            "  NO  FIBRE ID         LOSS  DAY      TIME\n")  # fmt: skip
    rows = (f"{n % 9999:4d}  TR-{n:<9} {n % 97 / 50:8.2f}  11/03/26 {n % 11 + 1:2d}:{n % 60:02d} AM"
            for n in range(count))  # fmt: skip
    return (head + "\n".join(rows) + "\n").encode("cp437")


def blocks(count: int) -> bytes:
    rows = (
        f"Strecke     : UV1/{n}\nLänge       : 64 m\nRichtung    : hin\n"
        "Zeitpunkt   : 03. Okt 2026 09:15\nWellenlänge : 0,85 µm\n"
        f"Dämpfung    : 1,{n % 97:02d} dB\n"
        for n in range(count // 6)
    )
    return ("Bericht Einfügedämpfung 7\nGerät: GM-1\n" + "".join(rows)).encode("utf-16")


def frames(count: int) -> bytes:
    rows = (f"R,{n},E-{n},A,-21.{n % 97:02d}" for n in range(count))
    listed = list(rows)
    sums = serial.checksums("xor-8", [row.encode() for row in listed])
    lines = [f"\x02{row}\x03{sum_}\r" for row, sum_ in zip(listed, sums, strict=True)]
    return ("\x02SM88,x\x034E\r" + "".join(lines) + "\x02END\x03\r").encode()


def json_lines(count: int) -> bytes:
    rows = (
        f'{{"kind":"loss","slot":{n},"name":"R{n}","t":"20261103081422",'
        f'"db":{{"850":-1.{n % 97:02d}}}}}\n'
        for n in range(count)
    )
    return ('{"kind":"unit","unit":"JL-5"}\n' + "".join(rows)).encode()


def json_document(count: int) -> bytes:
    tests = ",\n".join(
        f'  {{"id": "E{n}", "at": "2026-11-03T08:14:{n % 60:02d}", "port": 1, "values": ['
        f'{{"nm": 1310, "level": -7.{n % 97:02d}, "zero": -3.02}}, '
        f'{{"nm": 1550, "level": -6.{n % 97:02d}, "zero": -3.1}}]}}'
        for n in range(count // 2)
    )
    return (
        '{"format": "light-levels/1", "unit": {"serial": "U-1", "battery": 80}, "sessions": [\n'
        f' {{"by": "N. O.", "tests": [\n{tests}\n ]}}\n]}}\n'
    ).encode()


def xml(count: int) -> bytes:
    records = "".join(
        f'<record id="E{n}" way="up"><when>23/11/2026 08:14:{n % 60:02d}</when>'
        f'<length in="ft">210</length><value nm="850" unit="dB">1.{n % 97:02d}</value>'
        f'<value nm="1300" unit="dB">0.{n % 97:02d}</value></record>\n'
        for n in range(count // 2)
    )
    return f'<levels form="3"><meter serial="X-1"/>\n{records}</levels>\n'.encode()


def workbook(count: int) -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"constant_memory": True})
    sheet = book.add_worksheet("Cable 1")
    form = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
    sheet.write_row(0, 0, ["Loss book"])
    sheet.write_row(1, 0, ["Fibre", "Loss 1310", "Loss 1550", "Measured"])
    for n in range(count):
        sheet.write_row(n + 2, 0, [f"K7-{n}", 0.3 + n % 97 / 100, 0.2 + n % 89 / 100])
        sheet.write_datetime(n + 2, 3, dt.datetime(2026, 11, 3, 8, n % 60), form)
    book.close()
    return buffer.getvalue()


DUMPS: dict[str, tuple[str, Callable[[int], bytes]]] = {
    "comma-preamble": ("lines", comma),
    "printer-pages": ("lines", printer),
    "record-blocks": ("lines", blocks),
    "serial-frames": ("lines", frames),
    "json-lines": ("lines", json_lines),
    "json-sessions": ("records", json_document),
    "xml-records": ("records", xml),
    "loss-book": ("records", workbook),
}
"""Per profile: what is counted, and what writes a dump of as many of it."""


@dataclass(frozen=True)
class Figure:
    """How fast one layout is read, and how many times longer than the floor that takes."""

    profile: str
    layout: str
    unit: str
    count: int
    readings: int
    seconds: float
    floor_s: float
    """Of pandas.read_csv(dtype=str) on a delimited dump of as many rows, in the same run."""

    @property
    def per_second(self) -> float:
        """Return lines or records per processor second."""
        return self.count / self.seconds

    @property
    def ratio(self) -> float:
        """Return how many times longer than the floor it takes."""
        return self.seconds / self.floor_s


def figures(count: int = 200_000, repeats: int = 3) -> Iterator[Figure]:
    """Measure every layout on a dump of `count` lines or records, the best of `repeats`."""
    whole = comma(count)
    table = whole[whole.index(b"Entry") :]
    for name, (unit, make) in DUMPS.items():
        data = make(count)
        parser = fixtures.parsers()[name]
        dump = Dump(data, name, hashlib.sha256(data).hexdigest())
        extract = parser.parse(dump)
        lost = account.check(dump, extract)
        if lost or not extract.faults.empty:
            raise SystemExit(f"{name}: {lost or extract.faults.head()}")
        # in turns, so that a busy moment of the machine meets both
        took = [
            (spent(lambda: pd.read_csv(io.BytesIO(table), dtype=str)),
             spent(lambda p=parser, d=dump: p.parse(d)))
            for _ in range(repeats)
        ]  # fmt: skip
        floor, seconds = (min(times) for times in zip(*took, strict=True))
        readings = len(extract.readings)
        yield Figure(name, parser.profile.layout, unit, count, readings, seconds, floor)


def spent(what: Callable[[], object]) -> float:
    """Return the processor seconds that a call takes."""
    start = time.process_time()
    what()
    return time.process_time() - start


def show(found: Iterable[Figure]) -> None:
    """Print one row per layout."""
    print(f"{'layout':10} {'profile':15} {'count':>9}         {'readings':>9} {'seconds':>8} "
          f"{'per second':>10} {'x floor':>8}")  # fmt: skip
    for one in found:
        print(f"{one.layout:10} {one.profile:15} {one.count:9d} {one.unit:7} {one.readings:9d} "
              f"{one.seconds:8.2f} {one.per_second:10.0f} {one.ratio:8.2f}")  # fmt: skip


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--lines", type=int, default=200_000)
    show(figures(options.parse_args().lines))


if __name__ == "__main__":
    main()
