"""Units of one design: shared figures, fault rates and comparison of joints."""

from benchtest.diagnosis.batch.fault_rates import fault_rate_factors, prior_bad_joints, scale_priors
from benchtest.diagnosis.batch.joint_comparison import (
    SCALE_OHM,
    JointChange,
    JointOhms,
    OutlierJoint,
    changes_between,
    compare_sessions,
    joint_ohms,
    ohms_of_sessions,
    outlier_joints,
)
from benchtest.diagnosis.batch.learn import BatchKnowledge, UnusedUnit, learn
from benchtest.diagnosis.batch.model import (
    CAUSES,
    BatchPrediction,
    UnitEvidence,
    UnitReadings,
    allow_other_supply,
    batch_prediction,
    caches_as_fed,
    consistent_units,
    shared_supply_count,
    unit_evidence_of,
    without_slips,
)

__all__ = [
    "CAUSES",
    "SCALE_OHM",
    "BatchKnowledge",
    "BatchPrediction",
    "JointChange",
    "JointOhms",
    "OutlierJoint",
    "UnitEvidence",
    "UnitReadings",
    "UnusedUnit",
    "allow_other_supply",
    "batch_prediction",
    "caches_as_fed",
    "changes_between",
    "compare_sessions",
    "consistent_units",
    "fault_rate_factors",
    "joint_ohms",
    "learn",
    "ohms_of_sessions",
    "outlier_joints",
    "prior_bad_joints",
    "scale_priors",
    "shared_supply_count",
    "unit_evidence_of",
    "without_slips",
]
