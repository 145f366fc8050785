"""Open data of a handover: CSV after RFC 4180, JSON with a JSON Schema, Parquet.

Values are data, never dressed up: decimal points, ISO times, units in the column names, absent
numbers empty (CSV) or null (JSON). In CSV a text that a spreadsheet could take for a formula is
preceded by an apostrophe; JSON and Parquet hold it unchanged.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping

import numpy as np
import pandas as pd

from reports import facts
from rules import tables
from rules.evaluation import Evaluation

RESULTS: tables.Columns = (
    {"row": "int"}
    | dict(tables.TEST_STATES)
    | {name: kind for name, kind in tables.GRADES.items() if name not in tables.TEST_STATES}
    | {name: tables.LINKS[name] for name in facts.PLACE}
    | {name: tables.READINGS[name] for name in facts.TESTED}
    | {"digits": "int"}
)
"""One row per planned test with its deciding grade; `digits` is how many decimals are shown."""

SUPERSEDED: tables.Columns = (
    {name: kind for name, kind in tables.GRADES.items() if name != "grade"}
    | {name: tables.LINKS[name] for name in facts.PLACE}
    | {name: tables.READINGS[name] for name in facts.TESTED}
    | {"digits": "int"}
)

ADMINISTRATION: tables.Columns = {
    "identifier": "text", "cable": "text", "tube": "text", "strand": "text", "pair": "text",
    "building": "text", "floor": "text", "area": "text", "a_end": "text", "b_end": "text",
    "fibre_type": "text", "length_m": "float", "length_source": "text", "connections": "float",
    "splices": "float", "loss_850_db": "float", "loss_1300_db": "float", "loss_1310_db": "float",
    "loss_1550_db": "float", "tested_on": "text", "result": "text", "document": "text",
}  # fmt: skip
"""One row per strand under its one primary identifier, as administration records link to it
(ANSI/TIA-606, the principle from memory; columns: common practice, no source). A loss is the
greater of the two directions, or their mean where the mean is judged."""

PUBLIC: Mapping[str, tables.Columns] = {
    "results": RESULTS, "grades": tables.GRADES, "readings": tables.READINGS,
    "pairs": tables.PAIRS, "runs": tables.RUNS, "findings": tables.FINDINGS,
    "questions": tables.QUESTIONS, "completion": tables.COMPLETION, "plan": tables.LINKS,
    "limits": tables.LIMIT_ROWS, "intake_balance": tables.BALANCE, "retests": tables.RETESTS,
    "administration": ADMINISTRATION,
}  # fmt: skip

DECIMALS = dict(tables.DECIMALS)

_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


def frames(evaluation: Evaluation, results: pd.DataFrame, document: str) -> dict[str, pd.DataFrame]:
    """Give every open table, with the columns of PUBLIC, rounded; `document` names the record."""
    canonical = {
        name: tables.canonical(getattr(evaluation, name), name)
        for name in ("readings", "pairs", "runs", "findings", "questions", "grades", "completion")
    }
    whole = canonical | {
        "results": results,
        "plan": evaluation.plan.links,
        "limits": evaluation.limits,
        "intake_balance": evaluation.balance,
        "retests": evaluation.retests,
        "administration": administration(results, document),
    }
    return {name: rounded(whole[name], columns) for name, columns in PUBLIC.items()}


def rounded(frame: pd.DataFrame, columns: tables.Columns) -> pd.DataFrame:
    """Conform a table and round its floats to their decimals (dB: 0.001)."""
    out = tables.spelled(tables.conform(frame, columns))
    for name, kind in columns.items():
        if kind == "float":
            # adding 0.0 turns -0.0 into 0.0, which would print differently
            out[name] = out[name].round(DECIMALS.get(name, 3)) + 0.0
    return out


def administration(results: pd.DataFrame, document: str) -> pd.DataFrame:
    """Make the table of ADMINISTRATION out of the results, in plan order."""
    first = results.drop_duplicates("link_id").set_index("link_id")
    out = pd.DataFrame({"identifier": first.index}, index=first.index)
    for name in ADMINISTRATION:
        if name in first.columns:
            out[name] = first[name]
    mean = results["direction"] == "mean"
    judged = mean.groupby([results["link_id"], results["wavelength_nm"]]).transform("any")
    counted = results.loc[mean | ~judged]
    loss = counted.groupby(["link_id", "wavelength_nm"])["loss_db"].max().unstack()
    for nm in (850, 1300, 1310, 1550):
        out[f"loss_{nm}_db"] = loss[nm] if nm in loss.columns else np.nan
    out["tested_on"] = results.groupby("link_id")["taken_at"].max().str[:10]
    closed = results["state"].isin(("accepted", "waived")) | mean
    out["result"] = np.where(closed.groupby(results["link_id"]).all().loc[out.index],
                             "accepted", "open")  # fmt: skip
    out["document"] = document
    return out.reset_index(drop=True)


def csv(frame: pd.DataFrame) -> bytes:
    """Write CSV after RFC 4180 (comma, CRLF, quotes doubled), UTF-8, text guarded."""
    out = frame.copy()
    for name in map(str, out.select_dtypes(include="str").columns):
        risky = out[name].str.startswith(_RISKY)
        if risky.any():
            out[name] = out[name].mask(risky, "'" + out[name])
    text: str = out.to_csv(index=False, lineterminator="\r\n")
    return text.encode()


def as_json(frame: pd.DataFrame, name: str) -> bytes:
    """Write `{"table", "columns", "rows"}`; each row is a list in the order of the columns."""
    rows: str = frame.to_json(orient="values", double_precision=6, force_ascii=False)
    head = json.dumps(
        {"$schema": f"schema/{name}.schema.json", "table": name, "columns": list(frame.columns)}
    )
    return f'{head[:-1]}, "rows": {rows}}}\n'.encode()


def schema(name: str, columns: tables.Columns) -> bytes:
    """Write the JSON Schema (2020-12) that `as_json` of a table obeys."""
    kinds: dict[str, object] = {kind: {"type": "string"} for kind in tables.TEXTS} | {
        "int": {"type": "integer"}, "float": {"type": ["number", "null"]},
        "flag": {"type": "boolean"}, "when": {"type": ["string", "null"]},
    }  # fmt: skip
    value = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": name,
        "type": "object",
        "required": ["table", "columns", "rows"],
        "additionalProperties": False,
        "properties": {
            "$schema": {"type": "string"},
            "table": {"const": name},
            "columns": {"const": list(columns)},
            "rows": {
                "type": "array",
                "items": {
                    "type": "array",
                    "prefixItems": [
                        {"title": column, **kinds[kind]}  # type: ignore[dict-item]
                        for column, kind in columns.items()
                    ],
                    "minItems": len(columns),
                    "maxItems": len(columns),
                },
            },
        },
    }
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()


def parquet(frame: pd.DataFrame) -> bytes:
    """Write Parquet; raises ImportError without the extra `parquet`."""
    out = io.BytesIO()
    frame.to_parquet(out, engine="pyarrow", index=False)
    return out.getvalue()
