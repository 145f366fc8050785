"""Mangle example dumps and prove that parsers neither fail nor lose a line.

    python scripts/fuzz.py --count 20000 --seed 1

Every mutant goes to its own parser and, every 100th one, to all parsers and to the draft. A mutant
that raises, takes longer than the bound or leaves a line unaccounted is written to --keep and
named; the exit code is then 1.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
import traceback
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from parsers import account  # noqa: E402
from parsers.draft import draft  # noqa: E402
from parsers.dump import Parser  # noqa: E402
from tests.parsers import fixtures  # noqa: E402

SLOWEST_S = 20.0
"""Bound on one mutant; an ordinary one takes some hundredths of a second."""
NOISE = (b"\0", b"\xff", b"\r", b"\n", b"\t", b'"', b"'", b";", b",", b"|", b"\xef\xbb\xbf", b"{",
         b"}", b"[", b"<", b"&x;", b"<!DOCTYPE a>", b"-", b"1e999", b"99999999999999999999",
         b"=1+1", b"\x1b[0m", b"\xe2\x80\xa8", b"\xf0\x9f\x94\xa6", b"NaN", b"inf")  # fmt: skip
SWAPS = ((b";", b","), (b",", b";"), (b"\t", b" "), (b".", b","), (b"\n", b"\r"), (b":", b"="),
         (b"\n", b"\r\n"), (b"1", b"l"), (b"0", b"O"), (b"-", b"\xe2\x88\x92"))  # fmt: skip


def mutate(data: bytes, other: bytes, dice: random.Random) -> tuple[bytes, str]:
    """Return mangled bytes and the names of what was done to them."""
    done = []
    for _ in range(dice.randint(1, 4)):
        kind = dice.choice(("flip", "cut", "double", "drop", "swap", "noise", "mix", "shuffle"))
        done.append(kind)
        size = len(data)
        one, two = sorted((dice.randint(0, size), dice.randint(0, size)))
        if kind == "flip" and size:
            array = bytearray(data)
            for _ in range(dice.randint(1, 20)):
                array[dice.randrange(size)] ^= 1 << dice.randrange(8)
            data = bytes(array)
        elif kind == "cut":
            data = data[:one] if dice.random() < 0.7 else data[one:]
        elif kind == "double":
            data = data[:two] + data[one:two] + data[two:]
        elif kind == "drop":
            data = data[:one] + data[min(one + dice.randint(1, 40), size) :]
        elif kind == "swap":
            before, after = dice.choice(SWAPS)
            data = data.replace(before, after, dice.choice((1, 5, -1)))
        elif kind == "noise":
            data = data[:one] + dice.choice(NOISE) * dice.choice((1, 1, 1, 50)) + data[one:]
        elif kind == "mix":
            data = data[:one] + other[: dice.randint(0, len(other))] + data[one:]
        elif kind == "shuffle":
            lines = data.splitlines(keepends=True)
            dice.shuffle(lines)
            data = b"".join(lines)
    return data[:400_000], "+".join(done)


def proved(parser: Parser, data: bytes) -> str:
    """Return what is wrong with how a parser takes a dump, empty if nothing is."""
    dump = fixtures.dump(data)
    start = time.monotonic()
    try:
        parser.recognise(dump)
        lost = account.check(dump, parser.parse(dump))
    except Exception:  # noqa: BLE001 that is what is looked for
        return traceback.format_exc()
    if time.monotonic() - start > SLOWEST_S:
        return f"took longer than {SLOWEST_S} s"
    return "; ".join(lost)


def run(count: int, seed: int, keep: Path | None = None) -> Counter[str]:
    """Try `count` mutants; return counts, `bad` among them."""
    dice = random.Random(seed)
    files = fixtures.files()
    parsers = fixtures.parsers()
    found: Counter[str] = Counter()
    for number in range(count):
        file = dice.choice(files)
        data, done = mutate(file.read_bytes(), dice.choice(files).read_bytes(), dice)
        wanted = [parsers[file.parent.name]]
        if number % 100 == 0:
            wanted = list(parsers.values())
            try:
                draft([fixtures.dump(data)], "mutant")
            except Exception:  # noqa: BLE001 that is what is looked for
                report(found, keep, number, f"draft of {file.name} {done}", data,
                       traceback.format_exc())  # fmt: skip
        for parser in wanted:
            found["parses"] += 1
            wrong = proved(parser, data)
            if wrong:
                report(found, keep, number, f"{parser.name} {file.name} {done}", data, wrong)
        found["mutants"] += 1
        if found["mutants"] % 1000 == 0:
            print(f"{found['mutants']} mutants, {found['bad']} bad", file=sys.stderr)
    return found


def report(
    found: Counter[str], keep: Path | None, number: int, what: str, data: bytes, wrong: str
) -> None:
    found["bad"] += 1
    print(f"mutant {number}: {what}\n{wrong}", file=sys.stderr)
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        (keep / f"mutant-{number}").write_bytes(data)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for mutants that went wrong")
    options = parser.parse_args()
    start = time.monotonic()
    found = run(options.count, options.seed, options.keep)
    print(f"{found['mutants']} mutants of {len(fixtures.files())} dumps, {found['parses']} parses, "
          f"{found['bad']} bad, {time.monotonic() - start:.0f} s")  # fmt: skip
    return 1 if found["bad"] else 0


if __name__ == "__main__":
    sys.exit(main())
