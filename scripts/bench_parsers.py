"""Time every layout on large dumps, beside pandas on the same bytes for the delimited one.

    python scripts/bench_parsers.py --lines 200000

Times are processor seconds of this process, so that other work on the machine matters little.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import sys
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import pandas as pd  # noqa: E402

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


DUMPS: dict[str, Callable[[int], bytes]] = {
    "comma-preamble": comma,
    "printer-pages": printer,
    "record-blocks": blocks,
    "serial-frames": frames,
    "json-lines": json_lines,
}


def spent(what: Callable[[], object]) -> float:
    start = time.process_time()
    what()
    return time.process_time() - start


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--lines", type=int, default=200_000)
    count = options.parse_args().lines
    print(
        f"{'layout':16} {'lines':>9} {'readings':>9} {'seconds':>8} {'lines/s':>9} {'/ pandas':>9}"
    )
    for name, make in DUMPS.items():
        data = make(count)
        parser = fixtures.parsers()[name]
        dump = Dump(data, name, hashlib.sha256(data).hexdigest())
        extract = parser.parse(dump)
        lost = account.check(dump, extract)
        if lost:
            raise SystemExit(f"{name}: {lost}")
        seconds = min(spent(lambda p=parser, d=dump: p.parse(d)) for _ in range(2))
        ratio = ""
        if name == "comma-preamble":
            body = data[data.index(b"Entry") :]
            floor = min(spent(lambda b=body: pd.read_csv(io.BytesIO(b), dtype=str))
                        for _ in range(2))  # fmt: skip
            ratio = f"{seconds / floor:.2f}"
        lines = int(extract.accounts["end_line"].max())
        print(f"{name:16} {lines:9d} {len(extract.readings):9d} {seconds:8.2f} "
              f"{lines / seconds:9.0f} {ratio:>9}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
