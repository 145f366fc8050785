"""Codes of what the checks find: faults of runs, readings, cables and memories."""

from __future__ import annotations

from rules.codes import Code

CLOCKS = (
    Code("clock-against-sheet", "check", "the meter's clock differs from the run sheet",
         "say which is right; an offset of whole quarter hours points to the zone"),
    Code("clock-day-order", "check", "day and month of the stored dates look exchanged",
         "say in which order the meter prints them and correct the profile"),
    Code("clock-backwards", "check", "the clock goes back while the record numbers rise",
         "ask the crew whether the clock was set or the battery changed"),
    Code("clock-overlap", "check", "runs of one meter overlap in time",
         "say which dump has the right clock; one meter cannot work at two places"),
    Code("pace", "check", "records follow each other faster than anyone can move the cords",
         "ask the crew; test a sample again"),
)  # fmt: skip
REGISTER = (
    Code("operator-missing", "note", "nobody is named as having tested",
         "name the people on the run sheet"),
    Code("operator-unlisted", "check", "somebody tested who is not on the job's list",
         "decide whether the person may test on this job"),
    Code("instrument-missing", "check", "the meter's serial number is not known",
         "give it on the run sheet"),
    Code("instrument-unlisted", "check", "an instrument is not on the job's register",
         "enter the instrument with its calibration"),
    Code("serials-exchanged", "check", "serials of meter and source look exchanged",
         "correct them on the run sheet"),
    Code("calibration-expired", "stop", "the calibration had run out on the day of the test",
         "have the meter checked as found; test again if it was out"),
    Code("calibration-later", "check", "the meter was calibrated after the test",
         "keep the as-found data of that calibration with the record"),
    Code("calibration-unknown", "check", "no calibration of the meter is on the register",
         "enter the certificate's date in the register"),
    Code("wavelength-uncalibrated", "check", "the meter is not calibrated at this wavelength",
         "find the certificate for the wavelength"),
)  # fmt: skip
REFERENCING = (
    Code("reference-stale", "check", "the reference was old when readings were taken against it",
         "compare with the closing check; test again where the margin is smaller than the drift"),
    Code("references-equal", "check", "references of two wavelengths are the same",
         "find the powers of both wavelengths; one was probably taken at the wrong setting"),
    Code("reference-drift", "check", "the closing check shows that the reference moved",
         "test again, smallest margins first"),
    Code("closing-missing", "note", "no closing check of the reference was recorded",
         "check the reference at the end of each run"),
    Code("cord-check-high", "check", "the test cords lose too much between each other",
         "clean, inspect or replace the cords; take the reference again"),
    Code("cord-check-missing", "note", "no check of the test cords was recorded",
         "measure cord to cord after each reference"),
    Code("method-changed", "check", "runs of this job used different reference methods",
         "grade each with its own method; confirm the method of the runs that differ"),
    Code("source-changed", "check", "the source's own log shows a change after the reference",
         "take the reference again; test again from there"),
)  # fmt: skip
SERIES = (
    Code("reference-step", "stop", "all losses change from one record on",
         "take the reference again; test again from there"),
    Code("level-episode", "check", "losses rise at one record and fall back at a later one",
         "clean and inspect the test cords; test the records between again"),
    Code("source-warming", "check", "losses drift in the first minutes after the reference",
         "let the source warm up, take the reference again"),
    Code("level-trend", "check", "losses drift all through the run",
         "compare with the closing check; let instruments settle to the place's temperature"),
    Code("cord-wear", "check", "losses rise with the number of matings, whatever the cable",
         "inspect, clean or replace the test cords"),
)  # fmt: skip
WAVELENGTHS = (
    Code("wavelengths-alike", "stop", "two wavelengths show the same loss on long links",
         "find out at which wavelength the source worked; test again"),
    Code("multimode-inversion", "check", "a multimode link loses more at 1300 nm than at 850 nm",
         "check the wavelength setting; look for a bend or a connector"),
    Code("wavelengths-exchanged", "stop", "the two wavelengths of a run look exchanged",
         "find out which wavelength is which; test again"),
    Code("bend", "check", "loss at 1550 nm exceeds that at 1310 nm by more than the fibre explains",
         "look for a tight bend or pressure, even where both pass",
         "macrobending raises long wavelengths first: ITU-T G.657"),
    Code("wavelength-foreign", "stop", "the wavelength does not belong to the link's fibre",
         "correct the fibre type in the plan, or test again"),
)  # fmt: skip
VALUES = (
    Code("loss-negative", "check", "the link seems to amplify",
         "take the reference again, check the cords, test again since the last good check"),
    Code("loss-zero", "stop", "the loss is exactly zero: a reference saved as a result",
         "leave it out and test the link"),
    Code("below-physics", "check", "the loss is below what that length of fibre loses",
         "check length, link and wavelength"),
    Code("no-light", "stop", "no light, or too little, reached the meter",
         "check fibre, connectors, source and wavelength; not measured is not proof of safety"),
    Code("over-range", "stop", "the meter was overloaded",
         "use an attenuator; treat the fibre as live"),
    Code("not-measured", "note", "the meter stored no value at this wavelength",
         "test at this wavelength"),
    Code("power-outside-range", "check", "the power lies outside the meter's range",
         "use a stronger source, an attenuator or another meter"),
    Code("power-as-loss", "stop", "values stored as loss look like power levels",
         "give the quantity in the profile and the reference on the run sheet"),
    Code("unit-mixed", "stop", "values of different units or quantities stand in one column",
         "find the unit of each; correct the profile"),
    Code("sign-turned", "stop", "losses are stored with a minus sign",
         "say so in the profile, for the whole dump"),
    Code("decimal-lost", "stop", "values are a power of ten too large",
         "check decimal mark and columns in the profile"),
    Code("values-coarse", "note", "values are rounded to 0.1 dB or coarser",
         "take the meter's own memory instead of a copy"),
    Code("values-stuck", "check", "the same value stands under one label after the other",
         "ask whether the display was held; test these again"),
    Code("last-digits", "note", "last digits are not spread as measured ones are",
         "for the supervisor: test a sample again"),
)  # fmt: skip
CABLES = (
    Code("outlier", "check", "one link loses more than the others of its cable",
         "clean, inspect and test again"),
    Code("cable-shifted", "check", "a whole cable lies off the expected loss",
         "check reference, length and number of connections"),
    Code("run-shifted", "check", "a run lies off other runs over the same links",
         "check reference method and reference of the run"),
    Code("half-power", "stop", "a run lies about 3 dB off: half the light",
         "use the same mode of source and meter, continuous or modulated, for reference and test"),
    Code("position-trend", "check", "a group of neighbouring strands loses more than its cable",
         "look at tray, cassette and closure of the group"),
    Code("poor-pass", "note", "a link passes but loses far more than such links do",
         "clean and inspect; limits are no targets"),
)  # fmt: skip
DIRECTIONS = (
    Code("directions-differ", "check", "the two directions differ",
         "clean and inspect both ends; the mean alone would hide it"),
    Code("directions-identical", "check", "both directions are equal to the last digit",
         "ask whether the cords were moved; test a sample again"),
    Code("direction-doubled", "check", "links were tested twice one way and never the other",
         "say at which end the source was in each run"),
    Code("core-mismatch", "stop", "one direction loses far more all through a run",
         "check the core size of the test cords; test again"),
    Code("pair-exchanged", "check", "two neighbouring fibres look exchanged",
         "check the pair at splice and panel; test both again"),
    Code("pair-dark", "check", "both fibres of a pair are dark",
         "check whether the pair is crossed at one end"),
)  # fmt: skip
PLANNING = (
    Code("length-same", "check", "links of several cables have one and the same planned length",
         "enter the lengths from schedule or sheath marks"),
    Code("length-differs", "check", "measured and planned length differ",
         "confirm the length, or which link was measured"),
    Code("length-unit", "check", "lengths look like feet taken for metres",
         "correct the unit in the plan or the profile"),
    Code("length-scope", "note", "a multimode link is longer than the method's usual scope",
         "agree the method with the customer"),
    Code("partly-tested", "note", "links lack a test that most of their cable has",
         "see the retest list"),
)  # fmt: skip
MEMORY = (
    Code("record-gap", "check", "record numbers of a memory are missing from its dumps",
         "dump the memory again before it is cleared"),
    Code("sheet-incomplete", "check", "the run sheet names records that no dump holds",
         "dump the memory again, or test these again"),
)  # fmt: skip
REPEATED = (
    Code("many-tries", "check", "a test was repeated until it passed",
         "ask for the cause; without one test again with a witness"),
    Code("retest-passed", "note", "an earlier fail was followed by a pass",
         "record the cause of the repair"),
    Code("two-crews", "check", "two meters hold results of the same test",
         "name the result that goes into the record"),
)  # fmt: skip
VERDICTS = (
    Code("verdict-differs", "check", "the meter's own verdict differs from ours",
         "check the limit that was set in the meter"),
    Code("marginal", "note", "the margin is smaller than the uncertainty",
         "treat as agreed before the tests"),
)  # fmt: skip

CHECKING = (
    *CLOCKS, *REGISTER, *REFERENCING, *SERIES, *WAVELENGTHS, *VALUES, *CABLES, *DIRECTIONS,
    *PLANNING, *MEMORY, *REPEATED, *VERDICTS,
)  # fmt: skip
PRIVATE = ("last-digits",)
"""Codes for the supervisor alone: never in a document that leaves the house."""
