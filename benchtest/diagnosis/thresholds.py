"""Thresholds of the inference, each with its reason.

A probability is that of the thing named; a `_LOG` is a difference of natural logarithms of
likelihood; a `_SD` counts standard deviations.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

# -- Model ------------------------------------------------------------------------------------

MIN_FAULT_OHM, MAX_FAULT_OHM = 0.03, 30.0
"""Range of a resistive joint. [Ω] Below, it is as good as a healthy joint; above, it is open.
Ours."""


# -- Likelihood -------------------------------------------------------------------------------

MAX_HEADROOM_SD = 3.0
"""Standard deviations of headroom within which a node may be nonlinear: hardly any lies beyond."""
MIN_FITTED_SD = 3.0
"""Standard deviations by which a joint must move a reading for the resistance that fits this
reading to be tried: less than that shows as no sharp peak. Ours."""
MAX_BELOW_BEST_LOG = 30.0
"""Log likelihood below the best from which a fault keeps its estimate: e^-30 is negligible."""
MIN_RULED_OUT_SD = 10.0
"""Standard deviations past which a reading rules out a resistance and all above it: far
beyond any error of an estimate. Ours."""
MIN_SHORT_PLACE_PROBABILITY = 0.1
"""Probability, given a short, from which a place is named: others are not worth a look first."""
MAX_IDENTICAL_READINGS = 6
"""Identical readings that count. A meter rounds the same voltage the same way, so further ones
contain no information: a table pasted into itself must not raise a probability. Ours."""
MAX_READINGS = 40
"""Readings that one finding uses. A session that plans its readings needs fewer. Ours."""
MAX_COMPARED_READINGS = 400
"""Readings among which these are selected, the last ones of more: bounds the cost. Ours."""
MAX_SELECTION_JOINTS = 4
"""Joints that explain most readings, whose own readings are selected first. Ours."""
MAX_SUSPECT_READINGS = 20
"""Readings selected for those joints: half, so that the other joints keep theirs. Ours."""
MAX_UNEXPLAINED_SHARE = 0.2
"""Share of a reading's deviation by which an explanation may miss it. Estimates of a nonlinear
fault are off by as much. Ours."""
MAX_PROBE_READINGS = 2
"""Readings of one probe under one lit set that are kept: the second reveals a slip. Ours."""


# -- Inference --------------------------------------------------------------------------------

MIN_EXPLAINED_CHANCE = 1e-3
"""Chi-square tail probability below which an explanation does not fit the readings. Ours: one
correct explanation in a thousand is searched further in vain, which costs time and no finding."""
MAX_MARK_DEFICIT_LOG = 4.0
"""Deficit of the marks' log likelihood, from the best value any explanation could reach, above
which an explanation does not fit the marks. Ours: about one mark wrong by mistake."""
CLEARED_ODDS_RATIO = 0.25
"""Factor to which the evidence must cut a joint's odds of exceeding R to clear it above R: four to
one against it."""
MIN_FAULT_RATIO = 4.0
"""Ratio of a joint's resistance to its healthy value from which it is a fault: 2.5 standard
deviations of a healthy joint's logarithm."""
OHMMETER_SHORT_SHARE = 0.02
"""Share of its odds that a short keeps for each ohmmeter measurement that showed none. Common
practice, no source: a bridge may form later, or the leads were on the wrong wires."""
MIN_DISTURBING_LEAD = 0
"""Lead in E1.31 priority of another source, over that of the test, from which looks and readings
taken meanwhile do not count at all: at a higher priority the prop shows the other's frames, and at
an equal one a controller may show either or mix them (ANSI E1.31-2018, 6.2.3), so what was lit is
not known. Below the test's priority a controller ignores it, and evidence counts in full."""
SEEN_SETTING_ODDS_RATIO, UNSEEN_SETTING_SHARE = 1e5, 0.02
"""Factors on the odds of a controller's setting after a look at two colours in turn: of one that
shows just what was seen, and of all others. Common practice, no source: other colours from the edge
of a universe on are nothing that a good prop shows by chance; a look is mistaken as rarely as that
of an ohmmeter."""
REPAIRED_ODDS_SHARE = 0.05
"""Share of its odds that a joint or node keeps at each repair. Common practice, no source: a
repair seldom fails, and the first suspicion was often of its neighbor."""
FURTHER_FAULT_LOG = math.log(3.0)
"""Logarithm of the factor on the odds of each fault beyond the first: a maker of one bad joint
makes others. Common practice, no source."""
MAX_CORRECTION_LOG = 5.0
"""Limit of the correction of condensed evidence by single faults. Ours: past it the sum of shifts
is no longer an approximation, and the correction is not trusted."""
MIN_SHIFT_SD = 0.05
"""Largest shift of a reading, in standard deviations, below which a fault leaves all readings
unchanged. Ours: it changes a log likelihood by less than 0.2 at 4 standard deviations."""
MAX_FIT_DEFICIT_LOG = 15.0
"""Deficit of an estimated log weight from the best fitted one above which a combination is not
fitted: estimates are vague, and tend to be too high."""
MAX_EVALUATION_DEFICIT_LOG = 30.0
"""Deficit of a fitted log weight from the best one above which a combination is not evaluated at
every resistance. Ours: generous for the error of Laplace's approximation, not measured."""
MAX_COMBINATION_DEFICIT_LOG = 12.0
"""Deficit of a log weight from the best one above which a combination is dropped: its share of the
probability is below 1e-5."""
MIN_SURE_PROBABILITY = 0.8
"""Probability from which a fault is given when the next reading is chosen. Ours: below it, the
next reading should still test this fault."""
MAX_TWIN_DIFFERENCE_V = 1e-6
"""Difference up to which two joints have the same effect on a reading: a thousandth of the last
digit of a meter that shows millivolts. [V]"""
PARTIAL_MISS_SHARE = 0.2
"""Share of a reading's change that a partial explanation may miss. Ours: the rest of it is left to
another fault."""
MIN_PAIR_PROBABILITY = 1e-6
"""Probability below which a masked pair is dropped: far below any probability that is shown."""
MIN_REPEAT_DIFFERENCE_SD, MIN_REPEAT_DIFFERENCE_SHARE = 6.0, 0.003
"""Two readings of one probe contradict each other when they differ by more than this many standard
deviations of reading plus this share of their value. Ours: supplies and meters drift by that share
as they warm up."""
UNSTEADY_JOINT_SHARE = 0.1
"""Share of bad joints that change while they are measured. Common practice, no source."""
SUPPLY_CHANGE_ODDS, SUPPLY_CHANGE_SHARE_SD = 0.02, 0.005
"""Odds that the supplies' volts change during the readings, and the standard deviation of that
change as a share. Common practice, no source."""
JOINT_EFFECT_SHARE_SD = 0.1
"""Standard deviation of a changing joint's effect, as a share of it. Ours: node current is not
exact."""
SUPPLY_DRIFT_SHARE_SD = 0.002
"""Standard deviation of the supplies' drift from reading to reading, as a share. Ours."""
COURSE_SHARE_SD = 0.1
"""Standard deviation of the course of a change, as a share of the difference of the repeats. Ours:
a real course is not a step or a ramp."""
UPPER_TAIL_PROBABILITY = 0.05
"""Weight of the upper tail of a healthy joint's resistance. With `tolerance.HIGH_JOINT_FACTOR`, the
density is within a factor of four of the log-normal from four to twelve times the median."""
MIN_HIGH_JOINT_RATIO = 3.0
"""Drop across a joint over that of a usual one from which it is in the upper tail. Ours."""
MAX_HIGH_JOINT_SHARE = 0.9
"""Share of the least resistance of a fault up to which a joint's own drop shows a healthy joint:
node current is not known better. Ours."""
CLAD_WIRE_PROBABILITY = 0.1
"""Probability that strand wire written as copper is copper-clad aluminium. Common practice, no
source: it is sold as copper."""
TWO_REELS_PROBABILITY = 0.1
"""Probability that a unit's strands are from two reels. Common practice, no source."""
MAX_REEL_DEFICIT_LOG = 3.0
"""Deficit of the log likelihood of a reel change at one strand, from the best one, above which it
is left out. Ours: one in twenty."""
MIN_TWO_REELS_ODDS = 10.0
"""Odds of two reels over one from which they are assumed. Ours: a joint must not be cleared by a
reel change that may not exist."""
MIN_REEL_READINGS = 3
"""Readings below which two reels are not considered: fewer do not show them."""
MIN_USUAL_UNIT_PROBABILITY = 0.9
"""Probability of no fault from which neither a second reel nor another wire is considered. Ours:
nothing is left for it to explain."""
MIN_CLAD_READINGS = 2
"""Readings below which another wire is not considered: one joint explains one reading as well."""
MIN_SUPPLY_DEVIATION_SD = 2.0
"""Deviation of a supply, in standard deviations of its tolerance, from which its measured volts
replace the design's. Ours: below it, effects of causes add up linearly."""
MAX_SUPPLY_DEVIATION_SD = 10.0
"""Deviation above which volts at a feed show a fault, not its supply: joined rails leave
volts that no supply of the design gives. Ours: a tenth of them, twice what the check allows."""
MAX_EARLIER_GAIN_LOG = 12.0
"""Log likelihood by which readings of before a repair favor the likeliest present fault over none,
at most. Ours: it makes a suspect that is read at once, and present readings are exact."""
MAX_STATE_DEFICIT_LOG = 7.0
"""Deficit of the log weight of a state before a repair, from the best one, above which it is
dropped: one in a thousand."""


# -- Planning and decision --------------------------------------------------------------------

MIN_LISTED_PROBABILITY = 1e-3
"""Suspects with less probability are not listed: a unit has hundreds of joints, and a list of all
of them hides the likely ones. Ours."""
MIN_EXPLAINED_PROBABILITY = 0.05
"""Suspects from this probability get a reason: explaining costs a likelihood per suspect. Ours."""
MIN_TIED_PROBABILITY = 0.02
"""Suspects below this probability join no tie: separating them would not change a repair. Ours."""
MAX_TIE_LOG = 0.7
"""Explanations whose likelihoods differ by less are tied: a factor of two (ln 2 = 0.69)."""
MIN_DECIDED_PROBABILITY = 0.9
"""A unit counts as healthy, or one name or tie as its fault, from this probability. Ours."""
MIN_OPEN_PROBABILITY = 0.1
"""A suspect from this probability keeps a finding open while another is named: the complement of
`MIN_DECIDED_PROBABILITY`."""
MAX_SPREAD_PROBABILITY = 0.05
"""A unit more likely healthy than not, with no suspect above this, is decided too: the remaining
probability is spread over joints that no reading separates. Ours."""
MIN_REPAIR_PROBABILITY = 0.99
"""A suspect from this probability is repaired rather than read once more: one repair of a minute in
a hundred is in vain, less than a second for each, and a reading takes ten. Ours."""
MIN_SECOND_LOOK_PROBABILITY = 0.1
"""Probability of a fault of a node, seen amiss once, from which it is looked at again. Ours."""
MIN_DATA_FAULT_PROBABILITY = 0.5
"""A fault of the data line from this probability would be repaired next, so that power is read
first. Ours."""
MIN_DROP_CHECK_PROBABILITY = 0.05
"""A joint above this probability gets a reading of its own drop before it is repaired or left: a
reading takes ten seconds, a repair a minute. Ours."""
MIN_NAMED_PROBABILITY = 0.95
"""With a suspect from this probability the last reading is not repeated. Ours."""
MIN_PROFILE_FAULT_PROBABILITY = 0.5
"""The voltage profile includes the worst joint once all joints together have this probability: two
that readings cannot separate have half of it each, and either gives the same volts. Ours."""
MIN_UNEXPLAINED_SD = 6.0
"""An explanation leaves a reading unexplained that is this many standard deviations from the value
that all other readings predict. Above `MIN_SLIP_SD`, for tolerances are not quite normal. Ours."""
MIN_REPEAT_SD = 8.0
"""A reading this many standard deviations from all others is taken again, even if the next one
would add little. Ours."""
MIN_PROOF_SD = 3.0
"""Standard deviations by which a reading must separate a good repaired joint from a bad one to be
taken as its proof. Ours."""
MIN_MARK_PROBABILITY = 0.004
"""Marks that an eye makes more rarely than this of nodes as they should look are unexplained.
Ours."""
OUTSIDE_MODEL_ODDS = 1e-10
"""Prior odds of a unit whose fault no hypothesis here describes. Ours."""
ATYPICAL_UNIT_PROBABILITY = 0.1
"""Prior probability that a unit differs from the batch that was learned: another reel or supply.
Ours."""
MIN_READING_BITS = 0.015
"""A reading with less information is not worth a person's time. [bit] Ours."""
MIN_OPEN_READING_BITS = 4e-3
"""The same while nothing is decided. [bit] Ours."""
MIN_BITS_BEFORE_REPAIR = 0.2
"""A reading with less information does not delay the repair of a joint that is surely bad. [bit]
Ours."""
MIN_CALIBRATION_BITS = 0.25
"""A reading with less information about node current, wire and copper is not worth a person's time.
[bit] Ours."""
MAX_SAME_READINGS = 3
"""Maximum number of readings of one probe under one lit set: of three, two agree. Ours."""
MAX_READINGS_BEFORE_SPAN = 4
"""Readings after which no plan begins a series along a rail: node current and wire are known better
by then, and single readings have more information. Ours."""
MIN_SPAN_GAIN = 1.1
"""Ratio of scores from which a series along a rail replaces the best single reading. Ours."""
MIN_SERIES_PROBABILITY = 0.6
"""Probability of no fault from which readings are planned as a series that proves it: below it, the
next reading looks for the fault. Ours."""
MAX_SERIES_SUSPECT_PROBABILITY = 0.05
"""Probability of a suspect above which it is tested before such a series goes on. Ours."""
MIN_SOUND_PROBABILITY = 0.95
"""Probability of no fault from which the rail voltage under load is read next: the unit may be
released from there on, but not without it. Ours."""
MIN_LOADED_DROP_SHARE = 0.5
"""Rail volts count as read under load where a reading shows at least this share of the largest
drop. Ours."""
MIN_EXACT_PROBABILITY = 0.01
"""Fault samples with less probability keep their estimate instead of an exact circuit solution:
their error hardly changes the information. Ours."""
MIN_DISTINCT_PROBABILITY = 1e-3
"""A chain fault below this probability is merged with the healthy unit, and a joint below it is
sampled at fewer resistances. Ours."""
MIN_SAMPLE_PROBABILITY = 1e-7
"""Faults with less probability are left out of the choice of a reading. Ours."""
MIN_SUSPECTED_PROBABILITY = 0.05
"""A strand whose faults reach this probability is lit alone, with the other likely ones. Ours."""
MIN_VISIBLE_PROBABILITY = 2e-4
"""A look that shows faults of less total probability is not worth taking. Ours."""
MIN_JOINT_FAULT_PROBABILITY = 1e-4
"""Joint faults with less probability are assumed to look right. Ours."""
MAX_PROVEN_OHM = 0.1
"""A repaired joint is proved good once readings exclude more than this. [Ω] Ours."""
MIN_DROP_V = 3e-4
"""Least drop of a suspected joint that is worth reading: hand meters resolve 0.1 mV. [V]"""
MIN_MOVED_V = 1e-4
"""A reading that a repaired joint moved by less remains valid, unless its range resolves less. [V]
The resolution of a hand meter in its 200 mV range; common practice, no source."""
MIN_MOVED_A = 0.05
"""The same of a clamp reading. [A] Common practice, no source."""
ASYMMETRY_SD = 1.0
"""Standard deviations by which a unit is assumed to differ from its design in the currents through
a repaired joint: in a symmetric design no current crosses the middle, in a real unit some does.
Ours."""
MAX_SINGLE_FAULT_RATIO = 1.5
"""Largest possible distance from a healthy unit's volts, over that of the worst single fault: two
faults at once exceed one. Ours."""
RANGE_MARGIN_SD = 8.0
"""Standard deviations of healthy units by which the possible range is extended at both ends.
Ours."""


# -- Units of one design ----------------------------------------------------------------------

MIN_OTHER_BIN_ODDS = 0.25
"""Odds from which another bin of node current, or a unit unlike its batch, is assumed. Ours: the
wider assumption costs a few readings, the narrow one may accuse a good joint."""
PLACE_GAMMA_SHAPE, PLACE_FAULT_RATE = 0.3, 5e-3
"""Shape of the gamma distribution of a place's fault rate, and its mean. Common practice, no
source: most joints of a design never fail, and one that failed is examined first next time."""
MAKER_GAMMA_SHAPE = 4.0
"""Shape of the gamma distribution of a maker's rate of bad joints, relative to the usual one.
Common practice, no source: two makers in three are within half of the mean."""
MIN_MAKER_FACTOR, MAX_MAKER_FACTOR = 0.5, 4.0
"""Limits of the factor on the odds of power joints. Ours: a new reel of solder or a tired maker
changes the rate from one unit to the next."""
MIN_CHANGE_PROBABILITY = 0.998
"""Probability from which a joint is reported as changed. Ours: a joint that the earlier session did
not measure cannot reach it, since one in two hundred is at fault before any reading."""
MIN_OUTLIER_PROBABILITY = 0.95
"""Probability from which a joint is reported as above those of other units. Ours."""
MIN_POSSIBLE_FAULT_PROBABILITY = 0.01
"""Probability from which a joint may itself be the fault, so that no other fault clears it. Ours:
of two joints with equal effects neither clears the other."""
OUTLIER_FALSE_ALARM_CHANCE = 0.05
"""Chance that a batch of good units has any outlier joint. Ours."""
MIN_UNITS_FOR_OUTLIERS = 3
"""Units of a design from which one can be compared with the others: of two, neither is odd."""
MIN_GOOD_UNIT_PROBABILITY = 0.5
"""Probability of no fault below which a unit contributes only readings that its suspects do not
move. Ours: more likely bad than good."""
MIN_MOVING_SUSPECT_PROBABILITY = 0.1
"""Probability from which a suspect of such a unit is assumed to move readings. Ours."""
SHARED_VARIANCE_SPLITS: Mapping[float, float] = MappingProxyType({0.2: 0.2, 0.9: 0.8})
"""Prior of the batch's share of a cause's variance, the rest being the unit's own: probability of
each share, for each cause independently. Common practice, no source: units of one order and one
reel are much alike; now and then a design is built over years from stock."""
SUPPLY_VARIANCE_SPLITS: Mapping[float, float] = MappingProxyType({0.0: 0.5, 0.98: 0.5})
"""The same prior for the supply: each prop has its own, or one feeds all of them. Ours."""
OTHER_SUPPLY_CHANCE = 0.1
"""Probability that the next unit has another supply, however alike all were so far. Ours: it keeps
an exchanged supply from being mistaken for a bad feed."""
MIN_SLIP_SD = 4.0
"""Standard deviations from a unit's other readings above which a reading is a typing error. Ours:
one correct reading in 16,000."""
MIN_MEMBER_CHANCE = 1e-3
"""Chi-square tail probability, given the other units, below which a unit does not belong to their
batch. Ours: one good unit in a thousand is left out, which costs little."""
