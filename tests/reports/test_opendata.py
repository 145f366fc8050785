"""Open data read back by other libraries: csv, jsonschema, pyarrow."""

import csv
import io
import json

import jsonschema
import pandas as pd
import pytest

from reports import facts, opendata
from tests.reports import sample


@pytest.fixture(scope="module")
def frames():
    evaluation = sample.evaluation(40)
    return opendata.frames(evaluation, facts.results(evaluation), "record.pdf")


@pytest.mark.parametrize("name", sorted(opendata.PUBLIC))
def test_json_obeys_its_published_schema(frames, name):
    schema = json.loads(opendata.schema(name, opendata.PUBLIC[name]))
    jsonschema.Draft202012Validator.check_schema(schema)
    value = json.loads(opendata.as_json(frames[name], name))
    jsonschema.Draft202012Validator(schema).validate(value)
    assert len(value["rows"]) == len(frames[name])


def test_a_row_of_the_wrong_kind_is_refused(frames):
    schema = json.loads(opendata.schema("results", opendata.PUBLIC["results"]))
    value = json.loads(opendata.as_json(frames["results"], "results"))
    value["rows"][0][0] = "one"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema).validate(value)


@pytest.mark.parametrize("name", sorted(opendata.PUBLIC))
def test_csv_json_and_parquet_hold_the_same(frames, name):
    content = opendata.csv(frames[name])
    assert content.count(b"\r\n") >= len(frames[name]) + 1
    head, *rows = csv.reader(io.StringIO(content.decode(), newline=""), strict=True)
    assert head == list(opendata.PUBLIC[name])
    value = json.loads(opendata.as_json(frames[name], name))
    table = pd.read_parquet(io.BytesIO(opendata.parquet(frames[name])))
    assert len(rows) == len(value["rows"]) == len(table)
    numbers = [i for i, kind in enumerate(opendata.PUBLIC[name].values()) if kind == "float"]
    for text, row in zip(rows, value["rows"], strict=True):
        for i in numbers:
            assert (float(text[i]) if text[i] else None) == row[i]


def test_text_like_a_formula_is_guarded_in_csv_only(frames):
    readings = frames["readings"]
    assert (readings["dump_name"] == "=cmd.csv").any()
    text = opendata.csv(readings).decode()
    assert ",'=cmd.csv," in text
    assert ",=cmd.csv," not in text
    assert '"=cmd.csv"' in opendata.as_json(readings, "readings").decode()


def test_negative_numbers_are_numbers_in_csv(frames):
    head, first, *_ = csv.reader(io.StringIO(opendata.csv(frames["readings"]).decode()))
    assert float(first[head.index("power_dbm")]) < -20


def test_administration_has_one_row_per_identifier(frames):
    table = frames["administration"]
    results = frames["results"]
    assert table["identifier"].is_unique
    assert list(table["identifier"]) == list(results["link_id"].drop_duplicates())
    one = results.loc[(results["link_id"] == "C001-02") & (results["wavelength_nm"] == 850)]
    row = table.set_index("identifier").loc["C001-02"]
    assert row["loss_850_db"] == one["loss_db"].max()
    assert pd.isna(row["loss_1310_db"])
