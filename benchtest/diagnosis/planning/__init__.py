"""Choice of the next reading or look.

Imports go one way: candidates and cost; fault samples; regression; forecast; next reading, series
and next look; decision; request rules.
"""

from benchtest.diagnosis.planning.batch_readings import batch_calibration_readings
from benchtest.diagnosis.planning.candidates import (
    ReadingRequest,
    lit_sets,
    permitted_sets,
    reachable_probes,
)
from benchtest.diagnosis.planning.cost import (
    USUAL_TIMES,
    Leads,
    PersonTimes,
    ReadingCost,
    leads_after,
    look_s,
    reading_cost,
    repair_s,
)
from benchtest.diagnosis.planning.decision import is_decided
from benchtest.diagnosis.planning.fault_samples import FaultSamples, sample_faults
from benchtest.diagnosis.planning.forecast import Forecaster, ForecasterCache
from benchtest.diagnosis.planning.next_look import choose_look
from benchtest.diagnosis.planning.next_reading import (
    Ranking,
    best_score,
    choose_reading,
    information_bits,
    rank_readings,
)
from benchtest.diagnosis.planning.regression import PlanningEvidence, ReadingRegression
from benchtest.diagnosis.planning.request_rules import Situation, joint_drop_reading, next_request

__all__ = [
    "USUAL_TIMES",
    "FaultSamples",
    "Forecaster",
    "ForecasterCache",
    "Leads",
    "PersonTimes",
    "PlanningEvidence",
    "Ranking",
    "ReadingCost",
    "ReadingRegression",
    "ReadingRequest",
    "Situation",
    "batch_calibration_readings",
    "best_score",
    "choose_look",
    "choose_reading",
    "information_bits",
    "is_decided",
    "joint_drop_reading",
    "leads_after",
    "lit_sets",
    "look_s",
    "next_request",
    "permitted_sets",
    "rank_readings",
    "reachable_probes",
    "reading_cost",
    "repair_s",
    "sample_faults",
]
