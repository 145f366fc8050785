"""Charts of a record, drawn as SVG: each with a title and one sentence that says what it shows.

The same data gives the same bytes. Text stays text, in the typeface of the document.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reports import facts, numbers
from reports.document import Block, chart
from reports.particulars import Particulars
from reports.words import Words, words
from rules.evaluation import Evaluation

INK, DEEP, QUIET, HAIR, ALARM, WARM = (
    "#1b2228", "#14454f", "#5d6870", "#c3cbd0", "#9b1c1c", "#b8763a",
)  # fmt: skip
WAYS = {"a-b": ("o", DEEP), "b-a": ("s", WARM), "mean": ("D", INK)}
WIDTH_IN = 7.2
MOST_CABLES = 12
"""Cables drawn port by port; those with failed or marginal results come first."""

PICTURE_DPI = 300
MOST_POINTS = 4000
"""Beyond this many points a cloud is drawn as a picture: as shapes it would burden the page."""

FEWEST_LINKS = 3
"""Cables with fewer measured links than this are not drawn port by port."""

LAYOUT_FONT, SHOWN_FONT = "DejaVu Serif", "Libertinus Serif, Georgia, serif"
"""Text is laid out in the font that matplotlib ships and shown in the document's own."""

RC: dict[Any, Any] = {
    "figure.facecolor": "none", "axes.facecolor": "none",
    "svg.fonttype": "none", "svg.hashsalt": "record", "font.family": LAYOUT_FONT,
    "font.size": 8.0, "axes.edgecolor": HAIR, "axes.labelcolor": QUIET, "xtick.color": QUIET,
    "ytick.color": QUIET, "text.color": INK, "axes.spines.top": False,
    "axes.spines.right": False, "axes.linewidth": 0.6, "xtick.major.width": 0.6,
    "ytick.major.width": 0.6, "xtick.major.size": 2.5, "ytick.major.size": 2.5,
    "axes.unicode_minus": True, "legend.frameon": False, "legend.fontsize": 7.5,
}  # fmt: skip


@dataclass(frozen=True)
class Chart:
    """A drawn chart."""

    name: str
    title: str
    caption: str
    svg: bytes


def blocks(
    evaluation: Evaluation, given: Particulars, results: pd.DataFrame
) -> tuple[list[Block], dict[str, bytes]]:
    """Draw every chart that the data allow: blocks for the record and the SVG files by name."""
    drawn = list(charts(evaluation, given, results))
    made = [chart(one.title, one.caption, f"{one.name}.svg") for one in drawn]
    return made, {f"{one.name}.svg": one.svg for one in drawn}


def charts(evaluation: Evaluation, given: Particulars, results: pd.DataFrame) -> Iterator[Chart]:
    """Draw the charts one after the other; one without data is left out."""
    w = words(given.language)
    graded = results.loc[results["loss_db"].notna() & (results["kind"] == "link")]
    for draw in (distribution, by_length):
        yield from draw(graded, w)
    yield from progress(results, w)
    yield from drift(facts.references(evaluation), w)
    yield from by_port(graded, w)


def distribution(graded: pd.DataFrame, w: Words) -> Iterator[Chart]:
    """Draw how many results have which margin, per wavelength; left of 0 lies beyond the limit."""
    rows = graded.loc[graded["margin_db"].notna()]
    if rows.empty:
        return
    waves = sorted(rows["wavelength_nm"].unique())
    low, high = float(rows["margin_db"].min()), float(rows["margin_db"].max())
    edges = np.arange(np.floor(min(low, 0) * 10) / 10, np.ceil(high * 10) / 10 + 0.1, 0.1).round(3)
    step = max(1, -(-len(edges) // 60))
    zero = int(np.argmin(np.abs(edges)))
    edges = edges[zero % step :: step]

    def draw(figure: Any) -> None:
        axes = figure.subplots(1, len(waves), sharey=True, squeeze=False)[0]
        for axis, nm in zip(axes, waves, strict=True):
            margin = rows.loc[rows["wavelength_nm"] == nm, "margin_db"]
            counts, _ = np.histogram(margin.round(3), edges)
            bad = edges[:-1] < -1e-9
            axis.stairs(np.where(bad, 0, counts), edges, fill=True, color=DEEP)
            axis.stairs(np.where(bad, counts, 0), edges, fill=True, color=ALARM)
            axis.axvline(0, color=ALARM, lw=0.9)
            axis.set_title(f"{nm} nm", loc="left", fontsize=8.5, color=INK)
            axis.set_xlabel(w("chart.margin_axis"))
        axes[0].set_ylabel(w("chart.tests_axis"))

    bad = int((rows["margin_db"].round(3) < 0).sum())
    caption = w("chart.distribution", count=numbers.count(len(rows)), bad=numbers.count(bad),
                median=numbers.decibel(float(rows["margin_db"].median()), 2, w.style))  # fmt: skip
    yield Chart("distribution", w("chart.distribution_title"), caption, _svg(draw, 2.1, w))


def by_length(graded: pd.DataFrame, w: Words) -> Iterator[Chart]:
    """Draw loss against length with each link's limit, per wavelength."""
    rows = graded.loc[graded["length_m"].notna()]
    if rows.empty or rows["length_m"].nunique() < 2:
        return
    waves = sorted(rows["wavelength_nm"].unique())
    across = min(2, len(waves))
    down = -(-len(waves) // across)

    def draw(figure: Any) -> None:
        axes = figure.subplots(down, across, squeeze=False).ravel()
        for axis in axes[len(waves) :]:
            axis.set_visible(False)
        for axis, nm in zip(axes, waves, strict=False):
            own = rows.loc[rows["wavelength_nm"] == nm]
            limit = own.drop_duplicates(["length_m", "limit_db"])
            axis.plot(limit["length_m"], limit["limit_db"], "_", color=ALARM, ms=5, mew=0.9)
            for way, (mark, colour) in WAYS.items():
                part = own.loc[own["direction"] == way].drop_duplicates(["length_m", "loss_db"])
                axis.plot(part["length_m"], part["loss_db"], mark, color=colour, ms=1.8, mew=0,
                          rasterized=len(rows) > MOST_POINTS)  # fmt: skip
            axis.set_title(f"{nm} nm", loc="left", fontsize=8.5, color=INK)
            axis.set_xlabel(w("chart.length_axis"))
            axis.set_ylabel(w("chart.loss_axis"))
            axis.set_ylim(bottom=min(0.0, float(own["loss_db"].min())))

    links = numbers.count(int(rows["link_id"].nunique()))
    caption = w("chart.by_length", links=links)
    yield Chart("by-length", w("chart.by_length_title"), caption, _svg(draw, 2.2 * down, w))


def progress(results: pd.DataFrame, w: Words) -> Iterator[Chart]:
    """Draw how many planned tests were accepted by the end of each day of testing."""
    single = results.loc[results["direction"] != "mean"]
    done = single.loc[(single["state"] == "accepted") & (single["taken_at"] != "")]
    days = done["taken_at"].str[:10].value_counts().sort_index()
    undated = int(((single["state"] == "accepted") & (single["taken_at"] == "")).sum())
    if days.empty:
        return
    total = days.cumsum()
    shown = [numbers.date(str(day), w.style) for day in days.index]

    def draw(figure: Any) -> None:
        axis = figure.subplots()
        x = np.arange(len(days))
        axis.bar(x, total.to_numpy(), color=DEEP, width=0.62)
        axis.axhline(len(single), color=ALARM, lw=0.9)
        every = max(1, -(-len(days) // 12))
        axis.set_xticks(x[::every], shown[::every])
        axis.set_xlim(-0.6, max(len(days), 6) - 0.4)
        axis.set_ylabel(w("chart.tests_axis"))

    caption = w("chart.progress", accepted=numbers.count(int(total.iloc[-1])),
                planned=numbers.count(len(single)), days=len(days),
                undated=numbers.count(undated))  # fmt: skip
    yield Chart("progress", w("chart.progress_title"), caption, _svg(draw, 1.9, w))


def drift(references: pd.DataFrame, w: Words) -> Iterator[Chart]:
    """Draw how each later reference of a meter, wavelength and day differs from the first."""
    rows = references.loc[references["taken_at"].str.len() >= 16].copy()
    rows["day"] = rows["taken_at"].str[:10]
    keys = ["meter_serial", "source_serial", "wavelength_nm", "day"]
    rows = rows.sort_values([*keys, "taken_at", "origin"], kind="stable")
    rows = rows.drop_duplicates([*keys, "taken_at", "reference_dbm"])
    groups = rows.groupby(keys, sort=True)
    rows["shift"] = rows["reference_dbm"] - groups["reference_dbm"].transform("first")
    rows = rows.loc[groups["taken_at"].transform("nunique") > 1]
    if rows.empty:
        return
    hour = (
        rows["taken_at"].str[11:13].astype(float) + rows["taken_at"].str[14:16].astype(float) / 60
    )

    def draw(figure: Any) -> None:
        axis = figure.subplots()
        axis.axhline(0, color=HAIR, lw=0.6)
        for place, (nm, part) in enumerate(rows.groupby("wavelength_nm", sort=True)):
            colour = (DEEP, WARM, INK, QUIET)[place % 4]
            for _, line in part.groupby(keys, sort=True):
                axis.plot(hour[line.index], line["shift"], "o-", color=colour, ms=2.6, lw=0.8)
            axis.plot([], [], "o-", color=colour, ms=2.6, lw=0.8, label=f"{nm} nm")
        axis.set_xlabel(w("chart.hour_axis"))
        axis.set_ylabel(w("chart.shift_axis"))
        axis.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))

    most = numbers.decibel(float(rows["shift"].abs().max()), 2, w.style)
    yield Chart("drift", w("chart.drift_title"), w("chart.drift", most=most), _svg(draw, 1.9, w))


def by_port(graded: pd.DataFrame, w: Words) -> Iterator[Chart]:
    """Draw loss against limit port by port, one chart per cable, telling cables first."""
    size = graded.groupby("cable")["link_id"].nunique()
    graded = graded.loc[graded["cable"].isin(size.index[size >= FEWEST_LINKS])]
    if graded.empty:
        return
    telling = graded.groupby("cable", sort=False).agg(
        bad=("grade", lambda grades: int(grades.isin(("fail", "conditional-fail")).sum())),
        marginal=("marginal", "sum"),
    )  # fmt: skip
    telling["place"] = np.arange(len(telling))
    order = telling.sort_values(["bad", "marginal", "place"], ascending=[False, False, True])
    chosen = order.head(MOST_CABLES).sort_values("place")
    for cable in chosen.index:
        rows = graded.loc[graded["cable"] == cable]
        waves = sorted(rows["wavelength_nm"].unique())
        ports = rows.drop_duplicates("link_id")
        place = dict(zip(ports["link_id"], range(1, len(ports) + 1), strict=True))
        caption = w("chart.by_port", count=numbers.count(len(ports)),
                    first=str(ports["link_id"].iloc[0]), last=str(ports["link_id"].iloc[-1]),
                    bad=int(chosen.loc[cable, "bad"]))  # fmt: skip
        yield Chart(
            f"port-{chosen.loc[cable, 'place'] + 1:04d}",
            w("chart.by_port_title", cable=cable),
            caption,
            _svg(_ports(rows, waves, place, w), 1.9, w),
        )


def _ports(
    rows: pd.DataFrame, waves: list[int], place: dict[str, int], w: Words
) -> Callable[[Any], None]:
    def draw(figure: Any) -> None:
        axes = figure.subplots(1, len(waves), squeeze=False)[0]
        for axis, nm in zip(axes, waves, strict=True):
            own = rows.loc[rows["wavelength_nm"] == nm]
            x = own["link_id"].map(place)
            limit = pd.Series(own["limit_db"].to_numpy(), index=x).groupby(level=0).min()
            edges = np.append(limit.index - 0.5, limit.index[-1] + 0.5)
            axis.stairs(limit, edges, baseline=None, color=ALARM, lw=0.9)
            bad = own["grade"].isin(("fail", "conditional-fail"))
            for way, (mark, colour) in WAYS.items():
                for part, size, tone in (
                    ((own["direction"] == way) & ~bad, 2.6, colour),
                    ((own["direction"] == way) & bad, 4.2, ALARM),
                ):
                    axis.plot(x[part], own.loc[part, "loss_db"], mark, color=tone, ms=size, mew=0)
            axis.set_title(f"{nm} nm", loc="left", fontsize=8.5, color=INK)
            axis.set_xlabel(w("chart.port_axis"))
            axis.set_xlim(0, len(place) + 1)
            axis.xaxis.get_major_locator().set_params(integer=True)
            axis.set_ylim(bottom=min(0.0, float(own["loss_db"].min())))
            axis.margins(y=0.08)
        axes[0].set_ylabel(w("chart.loss_axis"))

    return draw


def _svg(draw: Callable[[Any], None], height_in: float, w: Words) -> bytes:
    """Run `draw` over an empty figure and write it, numbers along its axes in the reader's way."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.ticker import ScalarFormatter

    out = io.BytesIO()
    with mpl.rc_context(RC):
        figure = Figure(figsize=(WIDTH_IN, height_in), dpi=PICTURE_DPI, layout="constrained")
        canvas: Any = FigureCanvasSVG(figure)
        draw(figure)
        for axes in figure.axes:
            for axis in (axes.xaxis, axes.yaxis):
                if isinstance(axis.get_major_formatter(), ScalarFormatter):
                    axis.set_major_formatter(_ticks(w))
        canvas.print_svg(out, metadata={"Date": None, "Creator": None})
    return out.getvalue().replace(f"'{LAYOUT_FONT}'".encode(), SHOWN_FONT.encode())


def _ticks(w: Words) -> Any:
    """Write the numbers along an axis with the decimal sign and the minus of the language."""
    from matplotlib.ticker import ScalarFormatter

    class Ticks(ScalarFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            text = str(super().__call__(x, pos))
            return text.replace(".", w.style.decimal).replace("\N{MINUS SIGN}", w.style.minus)

    return Ticks()
