"""JSON lines read as columns give what reading line by line gives, and what json gives."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers import json_lines, trees
from parsers.dump import Extract
from tests.parsers import fixtures

PARSER = fixtures.parsers()["json-lines"]
LINES = (
    '{"kind":"unit","unit":"JL-5"}',
    '{"kind":"loss","slot":1,"name":"R1","t":"20261103081422","db":{"850":-1.20,"1300":-0.5}}',
    '{"kind":"loss","slot":2,"name":"R2","t":"20261103081423","db":{"850":-1.2e0,"1300":null}}',
    '{"kind":"loss","slot":3,"name":"R\\u00e93","t":"20261103081424","db":{"850":-1.2}}',
    '{"kind": "loss", "slot": 4, "name": " R4 ", "t": "20261103081425", "db": {"850": -1.3}}',
    '{"slot":5,"kind":"loss","name":"null","t":"20261103081426","db":{"850":"-1.4"}}',
    '{"kind":"loss","slot":6,"name":"","t":"20261103081427","db":{"850":-1.5}}',
    '{"kind":"loss","slot":7,"name":"R7","t":"20261103081428","db":{"850":-01.5}}',
    '{"kind":"loss","slot":8,"name":"R8","t":"20261103081429","db":{"850":-1.5},"extra":9}',
    '{"kind":"loss","slot":9,"name":"R9","slot":10,"db":{"850":-1.6}}',
    '{"kind":"loss","slot":true,"name":"R10","t":"","db":{"850":-1.7}}',
    '{"kind":"loss","slot":11,"name":"R11","db":{}}',
    '{"kind":"loss","slot":12',
    "[1, 2]",
    "",
)


def read(body: str, monkeypatch: pytest.MonkeyPatch, forms: int) -> Extract:
    with monkeypatch.context() as patch:
        patch.setattr(json_lines, "MOST_FORMS", forms)
        return PARSER.parse(fixtures.dump(body.encode()))


@given(st.lists(st.sampled_from(LINES), max_size=14))
@settings(derandomize=True, max_examples=40, deadline=None)
def test_columns_and_single_lines_agree(body: list[str]) -> None:
    text = "\n".join(body) + "\n"
    with pytest.MonkeyPatch.context() as patch:
        one, two = read(text, patch, 12), read(text, patch, 0)
    for name in ("readings", "faults", "accounts", "context"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


VALUES = st.one_of(
    st.text(max_size=6), st.floats(allow_nan=False), st.integers(), st.booleans(), st.none()
)


@given(st.dictionaries(st.text(max_size=4), VALUES, max_size=5), st.sampled_from([None, 1]))
@settings(derandomize=True, max_examples=100, deadline=None)
def test_a_form_takes_nothing_but_json_of_its_names(value: dict[str, object], gap: int) -> None:
    line = json.dumps(value, separators=None if gap else (",", ":"))
    flat = trees.flat(line)
    known = json_lines.form(line, flat or {})
    if known is None:
        return
    for changed in (line, line + " ", line.replace("1", "01"), line.replace('"', '\\"', 1),
                    line.replace("e", "E"), line.replace("-", "--"), line[:-1]):  # fmt: skip
        match = known.pattern.fullmatch(changed)
        if match:
            again = trees.flat(changed)
            assert again is not None
            groups = dict(
                zip(known.names, (group.strip() for group in match.groups()), strict=True)
            )
            assert groups == {name: again[name] for name in known.names}
