"""Codes of the questions that pairing asks: one cause each, settled by one answer."""

from __future__ import annotations

from rules.codes import Code, registry

QUESTIONS = registry(
    Code(
        "answers-contradict",
        "",
        "two laptops settled the same readings differently, neither knowing of the other",
        "choose which answer holds; until then neither counts",
    ),
    Code(
        "label-missing",
        "",
        "readings were stored without a label",
        "say from the crew's notes and the order of work which links they belong to",
    ),
    Code(
        "label-unknown",
        "",
        "labels fit no link of the plan",
        "choose the link, or say that the readings lie outside the plan",
    ),
    Code(
        "label-ambiguous",
        "",
        "labels fit several links of the plan equally well",
        "choose the link for each, or load a plan whose labels differ",
    ),
    Code(
        "shifted-run",
        "",
        "the labels of consecutive records look off by a constant number of ports",
        "shift the labels, or keep them as typed",
    ),
    Code(
        "skipped-or-shifted",
        "",
        "a port has no reading: it was skipped, or the numbering slipped there",
        "ask the crew whether the port was skipped",
    ),
    Code(
        "stopped-or-shifted",
        "",
        "the run takes in a part of the panel: the crew stopped there, or the numbering slipped",
        "ask the crew at which port they stopped",
    ),
    Code(
        "order-reversed",
        "",
        "two neighbouring records stand in reverse: so taken, or the labels exchanged",
        "ask the crew, or test both links again",
    ),
    Code(
        "wrong-prefix",
        "",
        "consecutive records stand under the name of another panel",
        "rename the panel for these records, or keep the labels as typed",
    ),
    Code(
        "past-panel-end",
        "",
        "the labels count on past the last port of a panel",
        "continue them in the next panel, or say that they lie outside the plan",
    ),
    Code(
        "counting-down",
        "",
        "the labels fall while the work goes on",
        "confirm from which end of the panel the crew worked",
    ),
    Code(
        "abbreviation",
        "",
        "shortened labels whose panel is not typed",
        "name the panel",
    ),
    Code(
        "mistyped-label",
        "",
        "labels are a sign or two away from the links where the crew stood",
        "accept the links found, or choose others",
    ),
    Code(
        "two-claims",
        "",
        "readings made at different times claim one link",
        "say which is the link's, and where the other belongs",
    ),
    Code(
        "same-reading-twice",
        "",
        "one result stands under two labels within seconds",
        "say which label holds; test the other link again",
    ),
    Code(
        "outside-the-plan",
        "",
        "readings of something that the plan does not hold",
        "confirm that they lie outside the plan, or choose a link",
    ),
    Code(
        "plan-differs",
        "",
        "many readings without a link and many links without a reading follow one pattern",
        "load the plan revision that the crew worked from, or rename",
    ),
    Code(
        "doubtful-label",
        "",
        "labels fit a link, but order of work, claims or measured values speak against it",
        "accept the proposed link or choose another",
    ),
    Code(
        "wavelength-outside",
        "",
        "the stored wavelength is in no window of the link's fibre type",
        "correct the plan's fibre type, or say where the reading belongs",
    ),
    Code(
        "fibre-of-pair-unknown",
        "",
        "a record of two fibres names a link whose partner in the pair is not planned",
        "choose the link of each fibre",
    ),
    Code(
        "placed-link-gone",
        "",
        "an answer placed readings on a link that this plan revision does not hold",
        "choose the link again or load the revision that holds it",
    ),
)
"""Question codes by slug; `meaning` opens the message, `remedy` says what an answer must settle."""

CREW_REMEMBERS = frozenset(
    {
        "label-missing", "label-ambiguous", "shifted-run", "skipped-or-shifted",
        "stopped-or-shifted", "order-reversed", "wrong-prefix", "past-panel-end", "counting-down",
        "abbreviation", "two-claims", "same-reading-twice", "outside-the-plan", "doubtful-label",
        "repeat-unsure", "repeat-relabelled", "direction-unknown", "direction-against-sheet",
        "order-unknown", "sheet-clash", "sheet-incomplete", "record-gap", "clock-reset",
        "clock-missing", "clock-against-sheet", "clock-day-order", "clock-backwards",
        "clock-overlap", "operator-missing", "instrument-missing", "serials-exchanged",
        "reference-missing", "reference-unevidenced", "reference-mismatch", "reference-other",
        "references-equal", "reference-step", "closing-missing", "cord-check-missing",
        "method-unknown", "method-changed", "source-changed", "cord-grade-unknown",
        "wavelengths-alike", "wavelengths-exchanged", "level-episode", "directions-identical",
        "direction-doubled", "pair-exchanged", "many-tries", "two-crews", "newer-in-doubt",
        "repair-undated",
    }
)  # fmt: skip
"""Questions and findings that only the memory of those who were there settles; the others are for
the desk: papers, limits, the plan, what the values say by themselves."""
