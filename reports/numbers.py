"""Turn numbers and times into the text people read: the only place that does.

Screens, printed records and workbooks call these functions, so that no two of them can differ.
Values are first taken to whole thousandths of a dB, the step on which results are graded, and
rounded from there half away from zero; binary noise never decides a digit.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

ABSENT = "–"
"""What stands in a cell that has no value."""

FOOT_M = 0.3048
"""Metres in an international foot (exact; NIST SP 811, appendix B.6, from memory)."""


@dataclass(frozen=True)
class Style:
    """How one language writes numbers and dates in documents for people."""

    decimal: str = "."
    minus: str = "−"
    group: str = "\u202f"
    """Between thousands of whole numbers from 10 000 on."""
    date: str = "{y:04d}-{m:02d}-{d:02d}"
    time: str = "{h:02d}:{n:02d}"


PLAIN = Style()


def thousandths(values: npt.ArrayLike) -> Integers:
    """Take values to whole thousandths, as results are graded; NaN becomes the smallest int64."""
    array = np.asarray(values, dtype=np.float64)
    missing = np.isnan(array)
    scaled: Integers = np.rint(np.where(missing, 0.0, array) * 1000.0).astype(np.int64)
    scaled[missing] = np.iinfo(np.int64).min
    return scaled


def _rounded(whole: Integers, step: int) -> Integers:
    """Round thousandths to a multiple of `step`, half away from zero; result in steps."""
    result: Integers = np.sign(whole) * ((np.abs(whole) + step // 2) // step)
    return result


def places(
    loss_db: npt.ArrayLike, limit_db: npt.ArrayLike, uncertainty_db: npt.ArrayLike | None = None
) -> Integers:
    """Tell how many digits each result needs so that the shown ones agree with the grade.

    Arguments are equally long and in dB; the answer is 2 or 3 per row. A row takes three digits
    when its loss compares with its limit differently after rounding to 0.01 dB than at 0.001 dB
    (2.604 against 2.60), and likewise its margin with the uncertainty, which decides the marginal
    mark and the guarded grades.
    """
    loss, limit = thousandths(loss_db), thousandths(limit_db)
    pairs = [(loss, limit)]
    if uncertainty_db is not None:
        known = (loss > _NONE) & (limit > _NONE)
        margin = np.where(known, limit - loss, _NONE)
        band = thousandths(uncertainty_db)
        pairs += [(margin, band), (margin, np.where(band > _NONE, -band, _NONE))]
    wide = np.zeros(loss.shape, dtype=bool)
    for left, right in pairs:
        known = (left > _NONE) & (right > _NONE)
        fine = np.sign(left - right)
        coarse = np.sign(_rounded(left, 10) - _rounded(right, 10))
        wide |= known & (fine != coarse)
    result: Integers = np.where(wide, 3, 2).astype(np.int64)
    return result


_NONE = np.iinfo(np.int64).min


def decibels(
    values: npt.ArrayLike, digits: npt.ArrayLike = 2, style: Style = PLAIN, signed: bool = False
) -> list[str]:
    """Write dB or dBm values with 2 or 3 digits each; NaN becomes the dash.

    `digits` is one number or one per value; `signed` puts a plus before what is above zero.
    """
    whole = np.atleast_1d(thousandths(values))
    wanted = np.broadcast_to(np.asarray(digits), whole.shape)
    steps = np.where(wanted == 3, whole, np.where(whole == _NONE, 0, _rounded(whole, 10)))
    return [
        ABSENT if raw == _NONE else _decimal(int(value), int(places), style, signed)
        for raw, value, places in zip(whole, steps, wanted, strict=True)
    ]


def _decimal(steps: int, places: int, style: Style, signed: bool) -> str:
    scale = 10**places
    sign = style.minus if steps < 0 else "+" if signed and steps > 0 else ""
    high, low = divmod(abs(steps), scale)
    return f"{sign}{high}{style.decimal}{low:0{places}d}"


def decibel(value: float, digits: int = 2, style: Style = PLAIN, signed: bool = False) -> str:
    """Write one dB or dBm value, see `decibels`."""
    return decibels([value], digits, style, signed)[0]


def lengths(metres: npt.ArrayLike, unit: str = "m", style: Style = PLAIN) -> list[str]:
    """Write lengths given in metres as whole or tenth metres (below 100 m) or as feet.

    `unit` is `m` or `ft`. The unit itself is not printed: it belongs in the heading.
    """
    values = np.atleast_1d(np.asarray(metres, dtype=np.float64)) / (FOOT_M if unit == "ft" else 1.0)
    texts = []
    for value in values:
        if np.isnan(value):
            texts.append(ABSENT)
            continue
        tenths = int(np.floor(abs(value) * 10 + 0.5))
        if abs(value) < 100 and tenths % 10:
            texts.append(_decimal(tenths, 1, style, False))
        else:
            texts.append(count(int(np.floor(abs(value) + 0.5)), style))
    return texts


def count(value: int, style: Style = PLAIN) -> str:
    """Write a whole number, grouped from 10 000 on."""
    digits = str(abs(value))
    if len(digits) > 4:
        head = len(digits) % 3
        groups = ([digits[:head]] if head else []) + [
            digits[i : i + 3] for i in range(head, len(digits), 3)
        ]
        digits = style.group.join(groups)
    return (style.minus if value < 0 else "") + digits


def percent(part: int, whole: int) -> str:
    """Write a share rounded down, so that 100 % only stands where nothing is open."""
    return f"{100 * part // whole} %" if whole else ABSENT


def probability(value: float, style: Style = PLAIN) -> str:
    """Write a chance in whole per cent; 0 and 100 only where it is exactly so."""
    if np.isnan(value):
        return ABSENT
    shown = int(np.floor(value * 100 + 0.5))
    if shown == 0 and value > 0:
        return "< 1 %"
    if shown == 100 and value < 1:
        return "> 99 %"
    return f"{shown} %"


def date(iso: str, style: Style = PLAIN) -> str:
    """Write the day of an ISO date or time as it stands; anything else is returned unchanged."""
    parts = _iso(iso)
    return iso or ABSENT if parts is None else style.date.format(**parts)


def moment(iso: str, style: Style = PLAIN) -> str:
    """Write the day and minute of an ISO time; seconds and zone are left to the data."""
    parts = _iso(iso)
    if parts is None:
        return iso or ABSENT
    day = style.date.format(**parts)
    return day if len(iso) < 16 else f"{day} {style.time.format(**parts)}"


def moments(texts: Iterable[str], style: Style = PLAIN) -> list[str]:
    """Write many ISO times, see `moment`; equal texts are worked out once."""
    known: dict[str, str] = {}
    out = []
    for text in texts:
        shown = known.get(text)
        if shown is None:
            shown = known[text] = moment(text, style)
        out.append(shown)
    return out


def _iso(text: str) -> dict[str, int] | None:
    day, clock = text[:10], text[11:16]
    pieces = day.split("-")
    if len(pieces) != 3 or not all(piece.isdigit() for piece in pieces):
        return None
    hours = clock.split(":") if len(clock) == 5 and clock[2] == ":" else ["0", "0"]
    if not all(piece.isdigit() for piece in hours):
        return None
    y, m, d = (int(piece) for piece in pieces)
    return {"y": y, "m": m, "d": d, "h": int(hours[0]), "n": int(hours[1])}
