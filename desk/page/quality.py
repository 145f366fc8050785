"""Quality: how losses, references and cords behave; a chart and its table for each."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from desk.page import charts, show
from desk.page.board import LAST_PLAN
from desk.page.office import Reader, Row
from ingest import blocks

TYPICAL_DB_PER_KM = {850: 2.5, 1300: 0.6, 1310: 0.34, 1550: 0.20}
"""Loss of good fibre, to take the glass out of a link's loss; from memory, no source."""
SPLICE_DB = 0.05
"""Loss of a good splice; from memory, no source."""
MOST_GROUPS = 24
MOST_ROWS, MOST_IN_FULL = 48, 1_000
"""Rows of a chart's table beside the chart, and where it stands alone."""
MOST_DOTS = 4_000
"""More results are thinned evenly for the dots of a trend; tables count them all."""


@dataclass(frozen=True)
class Quality:
    """One chart: what it shows in a sentence, its table, and how it is drawn."""

    name: str
    title: str
    says: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    height: float
    """Inches, beside `charts.WIDTH`."""
    draw: Callable[[str], bytes]


def quality(request: Request) -> Response:
    """Show the charts with their tables."""
    figures = show.office_of(request).glance(*WARM, enough=bool)
    found, wanted = figures.value, request.query_params.get("table", "")
    chosen = [one for one in found if one.name == wanted]
    return show.page(
        request, "quality.html", here="/quality", figures=figures, charts=chosen or found,
        whole=chosen[0].title if chosen else "", most=MOST_IN_FULL if chosen else MOST_ROWS,
    )  # fmt: skip


def chart(request: Request) -> Response:
    """Give one chart as SVG."""
    figures = show.office_of(request).glance(*WARM, enough=bool)
    name, theme = request.path_params["name"], request.query_params.get("theme", "light")
    found = next((one for one in figures.value if one.name == name), None)
    if found is None or theme not in charts.THEMES:
        raise HTTPException(404, "There is no such chart.")
    drawn = figures.draw((name, theme), lambda: found.draw(theme))
    return Response(drawn, media_type="image/svg+xml", headers={"cache-control": "no-cache"})


def _charts_of(read: Reader) -> list[Quality]:
    return list(_made(read))


def _made(read: Reader) -> Iterable[Quality]:
    results = _results(read)
    if len(results):
        yield from _spreads(results)
        yield _wear(results)
    references = _references(read)
    if references:
        yield _drift(references)


def _results(read: Reader) -> pd.DataFrame:
    """Read every current result with what its link and its run are, in order of time.

    Columns: nm, link_id, cable, loss, day, meter, people, cords, and `per_connection`, which is
    (loss - length x typical - splices) / connections, NaN where the plan does not say them.
    """
    tests = read.columns("test_states", ("link_id", "wavelength_nm", "reading_id"))
    state = read.columns("reading_state", ("row", "loss_db", "taken_at", "taken_at_utc", "run_id"))
    stored = read.frame(
        "SELECT r.row, r.reading_id, coalesce(r.meter_serial, c.meter_serial, '') AS meter, "
        "coalesce(r.operator, c.operator, '') AS operator "
        "FROM reading r JOIN constant c ON c.dump = r.dump"
    )
    runs = read.frame("SELECT run_id, people, cords FROM derived_runs")
    planned = read.frame(
        "SELECT link_id, cable, length_m, connections, splices FROM plan_link "
        f"WHERE plan = ({LAST_PLAN})"
    )
    measured = state.loc[state["loss_db"].notna()].merge(stored, on="row")
    measured = measured.merge(runs, on="run_id", how="left").fillna({"people": "", "cords": ""})
    found = tests.merge(measured, on="reading_id").merge(planned, on="link_id")
    found = found.rename(columns={"wavelength_nm": "nm", "loss_db": "loss"})
    found = found.assign(
        day=found["taken_at"].str[:10],
        people=found["people"].where(found["people"] != "", found["operator"]),
    ).sort_values(["taken_at_utc", "row"], ignore_index=True)
    length, joints, splices = (
        pd.to_numeric(found[name]) for name in ("length_m", "connections", "splices")
    )
    glass = found["nm"].map(TYPICAL_DB_PER_KM) * length / 1000
    rest = found["loss"] - glass - SPLICE_DB * splices.fillna(0)
    return found.assign(per_connection=rest / joints.where(joints > 0))


def _spreads(results: pd.DataFrame) -> Iterable[Quality]:
    named = {
        name: results[name].where(results[name] != "", absent)
        for name, absent in (("cable", "no cable"), ("day", "no clock"),
                             ("meter", "unknown meter"), ("people", "nobody named"))
    }  # fmt: skip
    by_wavelength = named["cable"] + ", " + results["nm"].astype(str) + " nm"
    kinds: tuple[tuple[str, str, str, pd.Series[str], str], ...] = (
        ("loss-by-cable", "Loss by cable",
         "How the loss of the links of each cable spreads at each wavelength.",
         by_wavelength, "loss"),
        ("connections-by-cable", "Loss per connection by cable",
         "What is left per connection once typical glass and splices are taken out.",
         named["cable"], "per_connection"),
        ("connections-by-day", "Loss per connection by day",
         "The same by the day of the test: a step points to cords or references.",
         named["day"], "per_connection"),
        ("connections-by-meter", "Loss per connection by meter",
         "The same by meter: meters should not differ.",
         named["meter"], "per_connection"),
        ("connections-by-people", "Loss per connection by crew",
         "The same by the people of the run: it asks for a look, it accuses nobody.",
         named["people"], "per_connection"),
    )  # fmt: skip
    for name, title, says, key, value in kinds:
        groups = _groups(results[value], key)
        if groups:
            yield _spread(name, title, says, groups)


def _groups(values: pd.Series[float], key: pd.Series[str]) -> dict[str, charts.Floats]:
    """Part values by a key, without those that are absent; each group keeps its order."""
    known = values.notna()
    kept: charts.Floats = np.asarray(values[known], dtype=np.float64)
    found = values[known].groupby(key[known].to_numpy(), sort=False).indices
    return {str(name): kept[places] for name, places in found.items()}


def _spread(name: str, title: str, says: str, groups: dict[str, charts.Floats]) -> Quality:
    ordered = [(key, groups[key]) for key in sorted(groups, key=_natural)]
    shown = ordered[:MOST_GROUPS]
    return Quality(
        name, title, says, ("group", "results", "5 %", "median", "95 %", "highest"),
        tuple(
            (key, str(len(v)), *map(show.decibels, np.quantile(v, [0.05, 0.5, 0.95, 1.0]).tolist()))
            for key, v in ordered
        ),
        charts.spread_height(len(shown)), lambda theme: charts.spread(shown, "dB", theme),
    )  # fmt: skip


def _wear(results: pd.DataFrame) -> Quality:
    """Lay loss per connection over the matings that the meter's cord has seen."""
    series, rows = [], []
    cord = results["cords"].where(results["cords"] != "", results["meter"])
    by_cord = _groups(results["per_connection"], cord.where(cord != "", "unknown"))
    for name in sorted(by_cord, key=_natural)[:4]:
        values = by_cord[name]
        counts = np.arange(1, len(values) + 1, dtype=np.float64)
        slope = float(np.polyfit(counts, values, 1)[0]) * 100 if len(values) > 2 else float("nan")
        rows.append(
            (name, str(len(values)), show.decibels(float(np.median(values))),
             show.decibels(slope, 3, signed=True))
        )  # fmt: skip
        step = max(1, len(values) // MOST_DOTS)
        series.append((name, counts[::step], values[::step]))
    return Quality(
        "cord-wear", "Wear of the test cords",
        "Loss per connection over the results of each cord: a slow rise is wear or dirt.",
        ("cord or meter", "results", "median, dB", "change per 100, dB"), tuple(rows),
        charts.HEIGHT,
        lambda theme: charts.trend(series, "results with this cord", "dB per connection", theme),
    )  # fmt: skip


def _references(read: Reader) -> list[Row]:
    """Read references out of dumps and run sheets: meter, nm, at (local), power."""
    rows = {row["row"]: row["meter"] for row in read.rows(
        "SELECT r.row, coalesce(r.meter_serial, c.meter_serial) AS meter FROM reading r "
        "JOIN constant c ON c.dump = r.dump WHERE coalesce(r.quantity, c.quantity) = 'reference'"
    )}  # fmt: skip
    stored = [
        {"meter": rows[row], "nm": state["wavelength_nm"], "at": state["taken_at"][:16],
         "power": state["reference_dbm"]}
        for row, state in blocks.of_rows(read.connection, "reading_state", list(rows)).items()
        if state["taken_at"] and not state["duplicate_of"]
    ]  # fmt: skip
    written = read.rows(
        "SELECT json_extract(e.body, '$.sheet.meter_serial') AS meter, "
        "json_extract(k.value, '$.wavelength_nm') AS nm, "
        "substr(json_extract(k.value, '$.at'), 1, 16) AS at, "
        "json_extract(k.value, '$.power_dbm') AS power FROM entry e, "
        "json_each(json_extract(e.body, '$.checks')) k WHERE e.kind = 'run-sheet' "
        "AND json_extract(k.value, '$.kind') = 'reference'"
    )
    found = {}
    for row in [*written, *stored]:
        if row["at"] and row["power"] is not None:
            at = row["at"].replace("T", " ")
            found[row["meter"], row["nm"], at] = row | {"at": at}
    return [found[key] for key in sorted(found)]


def _drift(references: list[Row]) -> Quality:
    series: dict[str, list[Row]] = defaultdict(list)
    for row in references:
        series[f"{row['meter']}, {row['nm']} nm"].append(row)
    drawn = [
        (name, [datetime.fromisoformat(row["at"]) for row in rows],
         np.array([row["power"] for row in rows]))
        for name, rows in sorted(series.items())
    ][:12]  # fmt: skip
    table = []
    for name, rows in sorted(series.items()):
        powers = [row["power"] for row in rows]
        table.append(
            (name, str(len(rows)), show.decibels(min(powers)), show.decibels(max(powers)),
             show.decibels(max(powers) - min(powers)))
        )  # fmt: skip
    return Quality(
        "reference-drift", "References over the days",
        "Each reference as stored or written down: a source in order stays within a few tenths.",
        ("meter and wavelength", "references", "lowest, dBm", "highest, dBm", "range, dB"),
        tuple(table),
        charts.HEIGHT, lambda theme: charts.lines(drawn, "dBm", theme),
    )  # fmt: skip


def _natural(text: str) -> list[Any]:
    return [(1, int(p), "") if p.isdecimal() else (0, 0, p) for p in re.split(r"(\d+)", text)]


WARM = ("quality", _charts_of)
ROUTES = [Route("/quality", quality), Route("/chart/{name}.svg", chart)]
