"""Codes of findings: what is missing or suspect in readings, runs and links."""

from __future__ import annotations

from rules.codes import Code, registry
from rules.codes.checking import CHECKING
from rules.codes.grading import GRADING

TIME = (
    Code(
        "clock-reset",
        "check",
        "the meter's clock shows a day that cannot be the day of the test",
        "give the true day on the run sheet; until then the order of the records is used",
    ),
    Code(
        "clock-autumn-hour",
        "check",
        "the clock shows an hour that was passed through twice",
        "give the time on the run sheet; the order of the records does not settle it",
    ),
    Code(
        "clock-spring-hour",
        "check",
        "the clock shows an hour that did not exist",
        "set the meter's clock; the time before the change was taken as it stands",
    ),
    Code(
        "clock-corrected",
        "note",
        "the times of readings come from the run sheet, not from the meter's clock",
        "set the meter's clock",
    ),
    Code(
        "clock-ahead",
        "check",
        "the clock was ahead of the time at which the dump arrived",
        "set the meter's clock and give its offset on the run sheet",
    ),
    Code(
        "clock-missing",
        "note",
        "readings without a clock",
        "give day and time on the run sheet",
    ),
)
REPEATS = (
    Code(
        "repeat-unsure",
        "check",
        "a single reading without a clock equals one of an earlier dump",
        "say whether the memory was dumped twice or the link was tested again",
    ),
    Code(
        "repeat-relabelled",
        "check",
        "one stored result stands under different labels in two dumps",
        "say which label holds; the one dumped later was probably corrected",
    ),
)
RUNS = (
    Code(
        "sheet-unused",
        "note",
        "a run sheet covers no reading",
        "correct meter, dump, slots or times on the sheet, or take the dump in",
    ),
    Code(
        "sheet-clash",
        "check",
        "two run sheets cover the same readings",
        "limit one of them by dump, slots or times",
    ),
    Code(
        "direction-against-sheet",
        "check",
        "the dump names another direction than the run sheet",
        "say at which end the source was",
    ),
)
REFERENCES = (
    Code(
        "reference-missing",
        "stop",
        "power was stored and no reference belongs to it",
        "give the reference on the run sheet, or test again",
    ),
    Code(
        "reference-unevidenced",
        "check",
        "loss was stored and no record of its reference was kept",
        "enter the reference from the crew's paper on the run sheet",
    ),
    Code(
        "reference-mismatch",
        "stop",
        "stored loss is not the reference minus the stored power",
        "find the reference that was in force, or test again",
    ),
    Code(
        "reference-other",
        "check",
        "losses were stored against another reference than the one kept for them",
        "say which reference was in force, or test again",
    ),
)

PAIRING = (
    Code(
        "wavelength-1310-on-multimode",
        "note",
        "readings of multimode fibre were stored as 1310 nm and count as 1300 nm",
        "set the meter to 1300 nm for multimode fibre",
    ),
)

FINDINGS = registry(*TIME, *REPEATS, *RUNS, *REFERENCES, *PAIRING, *CHECKING, *GRADING)
"""Every code a finding can have, by slug."""
