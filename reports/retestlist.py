"""The retest list for the crew: one sheet per building, panel and port order, large type."""

from __future__ import annotations

from typing import Any

import jinja2
import pandas as pd

from reports import facts, record, resources
from reports.document import (
    BREAK,
    RULE,
    Block,
    Cell,
    Column,
    Document,
    Row,
    aside,
    heading,
    sheet,
    sub,
    text,
    toned,
)  # fmt: skip
from reports.glyphs import printable
from reports.particulars import Particulars
from reports.words import Words, words
from rules.evaluation import Evaluation


def document(evaluation: Evaluation, given: Particulars) -> Document:
    """Lay out the list for paper: a box to tick, port, link, far end, what to do and why."""
    w = words(given.language)
    columns = [
        Column("", 8), Column(w("retest.port"), 17), Column(w("record.link"), 48),
        Column(w("retest.what"), 0), Column(w("record.why"), 44),
    ]  # fmt: skip
    parts: list[tuple[Block, ...]] = []
    for building, rows in _buildings(evaluation, w):
        title = w("retest.title", building=building)
        blocks: list[Block] = [heading(title), text(w("retest.count", count=len(rows)))]
        blocks.append(aside(w("retest.safety")))
        made: list[Row] = []
        panel = None
        for r in rows:
            if r["panel"] != panel:
                panel = r["panel"]
                made.append(sub(w("retest.panel", panel=panel, floor=r["floor"]).strip(" ·")))
            box: Cell = {"k": "box"}
            what = f"{r['nm']} {r['way']}".strip() + f"\n→ {r['far_end']}"
            port, link = (toned("mark", printable(r[name])) for name in ("port", "link_id"))
            made.append([RULE, box, port, link, printable(what), printable(r["why"])])
        parts.append((*blocks, sheet(columns, [made], 12.5, 1.8)))
    if not parts:
        parts = [(heading(w("retest.nothing_title")), text(w("retest.nothing")))]
    spaced = tuple((BREAK, *part) for part in parts)
    return Document("retests", record.meta(given, w, w("retest.name")), spaced)


def page(evaluation: Evaluation, given: Particulars) -> bytes:
    """Write the list as one HTML file that needs no network."""
    w = words(given.language)
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters["places"] = _places
    template = environment.from_string(resources.template("retests.html"))
    html = template.render(
        w=w, given=given, buildings=_buildings(evaluation, w),
        scope=record.scope_text(given, w),
    )  # fmt: skip
    return html.encode()


def _places(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Gather neighbouring rows of one panel."""
    found: list[dict[str, Any]] = []
    for row in rows:
        if not found or (found[-1]["panel"], found[-1]["floor"]) != (row["panel"], row["floor"]):
            found.append({"panel": row["panel"], "floor": row["floor"], "rows": []})
        found[-1]["rows"].append(row)
    return found


def _buildings(evaluation: Evaluation, w: Words) -> list[tuple[str, list[dict[str, Any]]]]:
    """Gather RETESTS, which come in walking order, by building; one row per port and direction."""
    found: dict[str, dict[tuple[str, ...], dict[str, Any]]] = {}
    for r in facts.each(_named(evaluation.retests, w)):
        rows = found.setdefault(r.building, {})
        key = (r.floor, r.panel, r.port, r.link_id, r.direction)
        row = rows.setdefault(
            key,
            {"floor": r.floor, "panel": r.panel, "port": r.port, "link_id": r.link_id,
             "far_end": r.far_end, "way": r.way, "whys": {}, "nms": []},
        )  # fmt: skip
        row["whys"][r.why] = None
        if r.wavelength_nm:
            row["nms"].append(str(r.wavelength_nm))
    for rows in found.values():
        for row in rows.values():
            row["nm"] = " + ".join(row["nms"]) + (" nm," if row["nms"] else "")
            row["why"] = "; ".join(row["whys"])
    return [(building, list(rows.values())) for building, rows in found.items()]


def _named(retests: pd.DataFrame, w: Words) -> pd.DataFrame:
    """Add who stands where (`way`)."""
    way = retests["direction"].map(
        {way: w(f"retest.way_{way}") for way in ("a-b", "b-a")}
    ).fillna("")  # fmt: skip
    dark = retests["wavelength_nm"] == 0
    return retests.assign(
        building=retests["building"].mask(retests["building"] == "", w("retest.no_building")),
        way=way.mask(dark, retests["what"]),
    )
