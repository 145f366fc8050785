"""Charts of the quality page: matplotlib to SVG, once per state of the store, light and dark."""

from __future__ import annotations

import io
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
THEMES = {
    "light": {"ink": "#1c2126", "soft": "#6b747c", "line": "#dcd9d0", "mark": "#0f5c66",
              "second": "#b0540a", "fill": "#cfe0df"},
    "dark": {"ink": "#e8e6e1", "soft": "#a5adb3", "line": "#384047", "mark": "#6cc3c8",
             "second": "#e9a25c", "fill": "#27474a"},
}  # fmt: skip
COLOURS = ("mark", "second", "soft", "ink")
WIDTH, HEIGHT = 6.8, 2.9
"""Inches of a chart; one of boxes is as high as they need."""
_LOCK = threading.Lock()
"""matplotlib's font cache is not made for several threads."""


def spread_height(groups: int) -> float:
    """Give the height in inches that a chart of so many boxes needs."""
    return 0.36 * groups + 0.9


def spread(groups: Sequence[tuple[str, Floats]], unit: str, theme: str) -> bytes:
    """Draw one box per group: the middle half, the median, 5 to 95 % as whiskers, the rest as dots.

    Returns SVG. Groups run from top to bottom.
    """
    look = THEMES[theme]
    with _LOCK:
        figure, axes = _axes(look, spread_height(len(groups)))
        parts = axes.boxplot(
            [values for _, values in groups], orientation="horizontal", widths=0.55,
            whis=(5, 95), patch_artist=True,
            flierprops={"marker": ".", "markersize": 4, "markeredgecolor": look["soft"],
                        "alpha": 0.6},
        )  # fmt: skip
        for box in parts["boxes"]:
            box.set(facecolor=look["fill"], edgecolor=look["mark"])
        for name, colour in (("whiskers", "mark"), ("caps", "mark"), ("medians", "second")):
            for line in parts[name]:
                line.set(color=look[colour], linewidth=1.6 if name == "medians" else 1.0)
        axes.set_yticks(range(1, len(groups) + 1), [name for name, _ in groups])
        axes.invert_yaxis()
        axes.set_xlabel(unit)
        return _svg(figure)


def lines(series: Sequence[tuple[str, Any, Floats]], unit: str, theme: str) -> bytes:
    """Draw values over time, a line with dots per series. Returns SVG."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    look = THEMES[theme]
    with _LOCK:
        figure, axes = _axes(look, HEIGHT)
        for number, (name, times, values) in enumerate(series):
            axes.plot(
                times, values, marker="osD^"[number // 4 % 4], markersize=4, linewidth=1.2,
                color=look[COLOURS[number % 4]], linestyle=("-", "--", ":")[number // 4 % 3],
                label=name,
            )  # fmt: skip
        locator = AutoDateLocator(minticks=3, maxticks=9)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        formatter = ConciseDateFormatter(locator)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_formatter(formatter)
        axes.set_ylabel(unit)
        _legend(axes, look, len(series))
        return _svg(figure)


def trend(
    series: Sequence[tuple[str, Floats, Floats]], across: str, unit: str, theme: str
) -> bytes:
    """Draw dots and their running median over a count, per series. Returns SVG."""
    look = THEMES[theme]
    with _LOCK:
        figure, axes = _axes(look, HEIGHT)
        for number, (name, counts, values) in enumerate(series):
            colour = look[COLOURS[number % 4]]
            axes.plot(counts, values, ".", markersize=2.5, color=colour, alpha=0.35)
            axes.plot(counts, running_median(values), color=colour, linewidth=1.6, label=name)
        axes.set_xlabel(across)
        axes.set_ylabel(unit)
        _legend(axes, look, len(series))
        return _svg(figure)


def running_median(values: Floats, window: int = 31) -> Floats:
    """Give the median of the `window` values around each value, fewer at the ends."""
    half = min(window, len(values)) // 2
    padded = np.pad(values, half, constant_values=np.nan)
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    middle: Floats = np.nanmedian(views, axis=1)
    return middle


def _axes(look: dict[str, str], height: float) -> tuple[Any, Axes]:
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"font.family": "DejaVu Sans", "font.size": 10}):
        figure = Figure(figsize=(WIDTH, height), layout="constrained")
        figure.patch.set_alpha(0.0)
        axes = figure.add_subplot()
    axes.patch.set_alpha(0.0)
    axes.tick_params(colors=look["ink"], length=3)
    axes.xaxis.label.set_color(look["soft"])
    axes.yaxis.label.set_color(look["soft"])
    axes.grid(color=look["line"], linewidth=0.7)
    axes.set_axisbelow(True)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(look["soft"])
    return figure, axes


def _legend(axes: Axes, look: dict[str, str], count: int) -> None:
    if count > 1:
        axes.legend(frameon=False, labelcolor=look["ink"], fontsize=9, ncols=2)


def _svg(figure: Any) -> bytes:
    from matplotlib import rc_context

    out = io.BytesIO()
    # text stays text, and the same figures give the same bytes
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "glasstally"}):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()
