"""Codes of findings and questions that grading makes."""

from __future__ import annotations

from rules.codes import Code, registry

GRADING = (
    Code(
        "limit-unconfirmed",
        "check",
        "limits whose values nobody has confirmed against the standard",
        "compare them with your own copy of the standard, then `glasstally limits confirm NAME`",
        "values that no public page showed are from memory",
    ),
    Code(
        "limit-missing",
        "check",
        "links to which a named limit gives no value",
        "complete the plan, or name a limit that specifies this fibre and wavelength",
        "an unspecified value is no pass",
    ),
    Code(
        "limit-below-uncertainty",
        "check",
        "the limit is smaller than the uncertainty of the measurement",
        "measure with fewer test cords in the reference, or agree on another test for this link",
        "JCGM 106:2012, 8.3: a guarded acceptance zone would be empty",
    ),
    Code(
        "cord-grade-unknown",
        "check",
        "the grade of the test cords is not known, and the limit depends on it",
        "give the cord grade on the run sheet",
        "ISO/IEC 14763-3: end connections by grade of test cord, from memory",
    ),
    Code(
        "method-unknown",
        "check",
        "the reference method is not known, and the limit depends on it",
        "give the number of test cords at the reference on the run sheet",
        "IEC 61280-4-1, reference methods",
    ),
    Code(
        "mean-hides-fail",
        "check",
        "one direction is over the limit although the mean of both is within it",
        "look at the worse end; the mean is what the job grades",
    ),
    Code(
        "newer-in-doubt",
        "check",
        "newer readings are held back; the older results of these tests count meanwhile",
        "settle what holds them back, or test again",
    ),
    Code(
        "direction-not-planned",
        "note",
        "readings in a direction that the plan does not ask for",
        "nothing to do, or add the direction to the plan",
    ),
    Code(
        "repair-undated",
        "check",
        "readings without a clock came in after a repair: older or newer than it is not known",
        "give day and time on the run sheet, or test again",
    ),
    Code(
        "power-loss-disagree",
        "check",
        "transmitted minus received power is not the loss of the link",
        "look for a dirty or wrong port, or an old value",
    ),
    Code(
        "splitter-uneven",
        "check",
        "the outputs of one splitter differ by more than they should",
        "clean and measure the odd output again",
    ),
)

GRADING_QUESTIONS = registry(
    Code(
        "direction-unknown",
        "",
        "both directions are planned and nothing says in which one these readings were made",
        "say at which end the meter was",
    ),
    Code(
        "order-unknown",
        "",
        "nothing says which of several readings of one test is the newest",
        "say which reading counts, or test again",
    ),
)
