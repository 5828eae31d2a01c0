"""Units of one design: shared figures, fault rates and comparison of joints."""

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
from benchtest.diagnosis.batch.model import CAUSES, UnitEvidence, UnitReadings, unit_evidence_of

__all__ = [
    "CAUSES",
    "SCALE_OHM",
    "BatchKnowledge",
    "JointChange",
    "JointOhms",
    "OutlierJoint",
    "UnitEvidence",
    "UnitReadings",
    "UnusedUnit",
    "changes_between",
    "compare_sessions",
    "joint_ohms",
    "learn",
    "ohms_of_sessions",
    "outlier_joints",
    "unit_evidence_of",
]
