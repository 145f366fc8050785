"""Begin a parser: a profile stub, a folder of example dumps, and what they are expected to give.

    python scripts/new_parser.py my-layout                     an empty stub to fill in
    python scripts/new_parser.py my-layout --from DUMP…        a draft from real dumps

Makes fixtures/NAME/profile.toml and a first example dump beside it; with --ship the profile goes
to parsers/profiles/ instead. Examples in fixtures/ are public: take names of people, makers and
sites out of a real dump before it goes there. Then read the profile, write the expectation with
scripts/expect.py, read that too, and run the tests: they find the new parser by themselves.
"""

from __future__ import annotations

import argparse
import re
import sys
from hashlib import sha256
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from parsers import registry  # noqa: E402
from parsers.draft import draft  # noqa: E402
from parsers.dump import Dump  # noqa: E402
from parsers.profile import ProfileError  # noqa: E402

STUB = """\
[profile]
name = "{name}"
version = 1
about = "Which layout this is, in one line."
layout = "delimited"

[recognise]
all = ['^{name} export$', '^Slot;Label;nm;Loss dB$']

[text]
encoding = "utf-8"

[numbers]
decimal_mark = "."

[states]
no-light = ["no light"]

[delimited]
separator = ";"

[[heading]]
match = '^{name} export$'

[[table]]
header = ["Slot", "Label", "nm", "Loss dB"]
record = ["label"]

[table.fields]
slot = {{ column = "Slot" }}
label = {{ column = "Label" }}
wavelength = {{ column = "nm" }}

[[table.values]]
column = "Loss dB"
quantity = "attenuation"
unit = "dB"
"""
EXAMPLE = """\
{name} export
Slot;Label;nm;Loss dB
1;A-01;1310;0.42
2;A-01;1550;0.31
3;A-02;1310;no light
"""


def make(name: str, sources: list[Path], ship: bool, root: Path) -> list[Path]:
    """Write the files of a new parser below `root`; return them. Nothing is overwritten."""
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{1,39}", name):
        raise SystemExit(f"'{name}' is no name: use small letters, digits and hyphens")
    folder = root / "fixtures" / name
    profile = root / "parsers" / "profiles" / f"{name}.toml" if ship else folder / "profile.toml"
    if folder.exists() or profile.exists():
        raise SystemExit(f"{name} is there already: {folder} or {profile}")
    dumps = {path.name: path.read_bytes() for path in sources}
    text = STUB.format(name=name)
    if dumps:
        found = draft([Dump(data, n, sha256(data).hexdigest()) for n, data in dumps.items()], name)
        if not found.toml:
            raise SystemExit(found.open_ends[0])
        text = found.toml
        for end in found.open_ends:
            print(f"left open: {end}")
    else:
        dumps = {"example.csv": EXAMPLE.format(name=name).encode()}
    folder.mkdir(parents=True)
    profile.parent.mkdir(parents=True, exist_ok=True)
    profile.write_text(text, encoding="utf-8")
    made = [profile]
    for file_name, data in dumps.items():
        (folder / file_name).write_bytes(data)
        made.append(folder / file_name)
    try:
        registry.from_profile(text, name)
    except ProfileError as error:
        print(f"not whole yet:\n{error}")
    return made


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("name")
    parser.add_argument("--from", dest="sources", nargs="+", type=Path, default=[])
    parser.add_argument("--ship", action="store_true", help="into parsers/profiles/")
    parser.add_argument("--root", type=Path, default=ROOT, help="another checkout")
    options = parser.parse_args()
    for path in make(options.name, options.sources, options.ship, options.root):
        print(path)
    print(f"Next: python scripts/expect.py fixtures/{options.name}/…, and read what it writes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
