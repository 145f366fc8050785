"""What pairing takes for granted about crews and keypads; a job may replace it by its own fit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Parameters:
    """Rates of the model. Shipped values come from simulated crews (see DEVELOPERS.md)."""

    fitted_at: str = ""
    """Journal time of the fit; empty for the shipped values."""
