"""Receipts in words: what became of a dump, for the person who brought it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from desk.terminal import counted, say, show_table

if TYPE_CHECKING:
    from ingest.intake import Receipt

MOST_SHOWN = 10
"""Faults, failures and questions named one by one; the rest are counted."""


def one_line(receipt: Receipt) -> str:
    """Say in one line what became of a dump."""
    if receipt.outcome in ("held", "refused"):
        return f"{receipt.name}: {receipt.outcome}, {receipt.reason}"
    again = "arrived again, nothing added; " if receipt.outcome == "again" else ""
    rest = [counted(len(found), word) for found, word in (
        (receipt.faults, "fault"), (receipt.failures, "failure"), (receipt.questions, "question"),
    ) if found]  # fmt: skip
    return "; ".join([f"{receipt.name}: {again}{balance_line(receipt.balance)}", *rest])


def tell(receipt: Receipt) -> None:
    """Print one receipt without the list of what to do."""
    mark = f" ({receipt.sha256[:12]})" if receipt.sha256 else ""
    if receipt.outcome in ("held", "refused"):
        say(f"{receipt.name}{mark}: {receipt.outcome}, {receipt.reason}.")
        if receipt.outcome == "held":
            say(f"  Its bytes are safe. Why: glasstally profile check {receipt.name}")
            say(f"  Next: glasstally profile draft {receipt.name}")
        return
    again = "arrived again, nothing added; " if receipt.outcome == "again" else ""
    say(f"{receipt.name}{mark}: {again}read by {receipt.parser}")
    say("  " + balance_line(receipt.balance))
    for fault in receipt.faults[:MOST_SHOWN]:
        place = f"line {fault['line']}" + (f":{fault['column']}" if fault["column"] else "")
        say(f"  fault, {place}: found '{fault['found']}', expected {fault['expected']}; "
            f"{fault['remedy']}")  # fmt: skip
    _more(len(receipt.faults), "faults")
    for failure in receipt.failures[:MOST_SHOWN]:
        place = f"{failure['link_id']} at {failure['wavelength_nm']} nm {failure['direction']}"
        say(f"  fails: {place}: {failure['loss_db']} dB, limit {failure['limit_db']} dB")
    _more(len(receipt.failures), "failures")
    for question in receipt.questions[:MOST_SHOWN]:
        say(f"  question {question['question_id']}: {question['message']}")
    _more(len(receipt.questions), "questions")


def balance_line(balance: dict[str, int]) -> str:
    """Write the intake balance so that one sees it close."""
    if not balance:
        return "0 readings"
    parts = [
        f"{balance[name]} {name.replace('_', ' ')}"
        for name in (
            "paired", "question", "outside_plan", "duplicate", "reference", "left_out", "refused",
        )
        if balance[name]
    ]  # fmt: skip
    return f"{balance['read']} readings = " + (" + ".join(parts) or "0")


def _more(count: int, what: str) -> None:
    if count > MOST_SHOWN:
        say(f"  … and {count - MOST_SHOWN} more {what}")


def todo(receipts: list[Receipt]) -> None:
    """Print the first lines of what to do before leaving the site."""
    lines = next((receipt.todo for receipt in receipts if receipt.todo), [])
    if lines:
        show_table(
            lines,
            [("panel", "panel"), ("port", "port"), ("link_id", "link"), ("wavelength_nm", "nm"),
             ("direction", "way"), ("why", "why"), ("what", "what to do")],
            title="Before leaving the site (the whole list: glasstally retests):",
        )  # fmt: skip
