"""What calibrations have to say against something, as patterns: see `core_sentences`."""

from __future__ import annotations

from dashboards.language import N_

CALIBRATION = (
    # the guided routine
    N_("a calibration carries the name of the person who does it"),
    N_("a calibration carries the name of the person who did it"),
    N_("what is in the sump must be 0 L or more, its error above 0 L"),
    N_("the last step is still settling"),
    N_("{poured_l} is no step; give the litres poured, with a minus those drained"),
    N_("{n} steps are enough for any sump; finish here"),
    N_("there is no step {n}: they are counted from 0"),
    N_("say why the step is left out: the reason is kept with the curve"),
    N_("measured with {what_name}? known are {known_name}"),
    # a step that does not fit
    N_("the level has not moved; was anything poured, and is the sensor free?"),
    N_("the level moved the wrong way; check the sign of this step, or a drain left open"),
    N_("{poured_l} are {off_l} more than this step of the level should hold ({pull} standard errors)"),
    N_("{poured_l} are {off_l} fewer than this step of the level should hold ({pull} standard errors)"),
    # the curve
    N_("no step was read whose volume is known"),
    N_("more was taken out than was in: {least_l}; see the steps, and what was in at first"),
    N_("{n} settled levels; a curve takes {needed} or more, 8 to 15 are good"),
    N_("the level has hardly moved; is the sensor in this sump?"),
    N_("at reading {raw} the level moved against the pours; leave out that step, or forget it"),
    N_("the levels do not differ enough to draw a curve through"),
    N_("reading {low} to {high} lies outside {first}-{last}, where nothing was measured; pour on to get there"),
    N_("reading {raw} or dip {dip} lies outside the curve; check where it was measured"),
    N_("a shape needs a length and a width above 0 mm, and no negative slope or ledge"),
    # strength and makeup
    N_("{n} readings of {mixes} mixes; take {needed} mixes or more, each read once"),
    N_("stronger mixes read lower; see that readings and mixes are in the same order"),
    N_("every mix needs concentrate above 0 and no negative water"),
    N_("read water at least once"),
    N_("{n} readings do not determine {wanted} numbers; take more, further apart"),
    N_("the errors are larger than what they are errors of; take readings further apart"),
    N_("what was given leads to no number: look for a reading that is none"),
    N_("{n} pairs of inline and hand readings; take {needed} or more"),
    N_("{n} pairs for {wanted} numbers; take more"),
    N_("a proportioner is checked by one reading or more, at a setting above 0"),
    N_("density {density} kg/L is no concentrate's; see its data sheet"),
    N_("{celsius} °C lies outside {low}-{high} °C; cool or warm the sample"),
    N_("take {n} runs or more, each with litres metered and litres collected above 0"),
    N_("{n} metered additions of use; {needed} or more are needed"),
    N_("{volume_l} lies outside the curve, {low}-{high_l}"),
    # a file
    N_("no calibration is of kind {kind_name}"),
    N_("was changed after it was written; measure again, or take the untouched file"),
    N_("is no calibration: {why_name}"),
    N_("{type_name} has no place in a calibration"),
    # hold-up
    N_("readings before a stop, between stop and start, and after the start are needed"),
    N_(
        "{before} readings before the stop, {stopped} after it, {started} after the start; "
        "{need_before}, {need_stopped} and {need_started} are needed"
    ),
    N_("{back_l} came back, not to be told from noise; watch a longer stop"),
    # what is in force
    N_("a calibration of kind {kind_name} sets nothing in the journal; it is kept as a record"),
    N_("no {field_name} was set in the journal: the site file is in force, and there is nothing to go back to"),
)
