"""Inference: likelihoods, posterior probabilities and combinations of faults."""

from benchtest.diagnosis.inference.cache import (
    CachedLookup,
    ConditionalCache,
    EarlierEvidenceLookup,
)
from benchtest.diagnosis.inference.conditional import (
    ConditionalEvidence,
    EarlierEvidence,
    EvidenceSet,
    chi_square_tail,
)
from benchtest.diagnosis.inference.masked_pairs import (
    MaskedPairs,
    find_masked_pairs,
    with_masked_pairs,
)
from benchtest.diagnosis.inference.multiple_faults import (
    EvidenceLookup,
    FaultCombination,
    fault_combinations,
    sure_faults,
    with_combinations,
)
from benchtest.diagnosis.inference.posterior import (
    FaultHypothesis,
    Ohms,
    Posterior,
    cleared_ohm,
    likeliest_hypothesis,
    log_odds,
    named_suspects,
)
from benchtest.diagnosis.inference.pre_repair import (
    ConditionalHistory,
    PreRepairEvidence,
    RepairHistory,
)
from benchtest.diagnosis.inference.unit_conditions import (
    clad_wire_log_odds,
    high_joint_log_odds,
    high_joint_tolerances,
    may_be_clad_wire,
    measured_supply_volts,
    needs_clad_wire,
    supply_log_prior,
    two_reel_tolerances,
    two_reels_log_odds,
)
from benchtest.diagnosis.inference.unsteady_joints import (
    UnsteadyJoints,
    find_unsteady_joints,
    with_unsteady,
)

__all__ = [
    "CachedLookup",
    "ConditionalCache",
    "ConditionalEvidence",
    "ConditionalHistory",
    "EarlierEvidence",
    "EarlierEvidenceLookup",
    "EvidenceLookup",
    "EvidenceSet",
    "FaultCombination",
    "FaultHypothesis",
    "MaskedPairs",
    "Ohms",
    "Posterior",
    "PreRepairEvidence",
    "RepairHistory",
    "UnsteadyJoints",
    "chi_square_tail",
    "clad_wire_log_odds",
    "cleared_ohm",
    "fault_combinations",
    "find_masked_pairs",
    "find_unsteady_joints",
    "high_joint_log_odds",
    "high_joint_tolerances",
    "likeliest_hypothesis",
    "log_odds",
    "may_be_clad_wire",
    "measured_supply_volts",
    "named_suspects",
    "needs_clad_wire",
    "supply_log_prior",
    "sure_faults",
    "two_reel_tolerances",
    "two_reels_log_odds",
    "with_combinations",
    "with_masked_pairs",
    "with_unsteady",
]
