"""Likelihood of readings and marks under every single fault."""

from benchtest.diagnosis.likelihood.covariance_terms import CovarianceTerms
from benchtest.diagnosis.likelihood.marks import (
    Appearance,
    MarkLikelihood,
    StrandLook,
    appearance,
    best_explained,
    log_likelihood_of,
    strand_looks,
    tally,
)
from benchtest.diagnosis.likelihood.measurement import (
    Noise,
    TapEffects,
    Taps,
    island_covariance,
    island_leads,
    noise_of,
    read_at,
    tap_effects,
    taps_of,
    values_of,
    volt_noise,
)
from benchtest.diagnosis.likelihood.nonlinear import (
    estimate,
    estimated_rows,
    means_at,
    nonlinear_rows,
    rules_out_more,
    solve_at,
)
from benchtest.diagnosis.likelihood.rail_shorts import RailShort
from benchtest.diagnosis.likelihood.reading_model import (
    ReadingModel,
    half_data_loss,
    nonlinearity_sd,
)
from benchtest.diagnosis.likelihood.readings import (
    JointLikelihoods,
    ReadingLikelihood,
    Row,
    linear_means,
    linear_predictions,
    linear_predictions_of_many,
)
from benchtest.diagnosis.likelihood.robust_gaussian import (
    conditional_log_density,
    log_likelihood,
    shifted_log_likelihood,
    slips,
)
from benchtest.diagnosis.likelihood.selection import (
    drop_duplicates,
    most_informative,
    without_duplicates,
)

__all__ = [
    "Appearance",
    "CovarianceTerms",
    "JointLikelihoods",
    "MarkLikelihood",
    "Noise",
    "RailShort",
    "ReadingLikelihood",
    "ReadingModel",
    "Row",
    "StrandLook",
    "TapEffects",
    "Taps",
    "appearance",
    "best_explained",
    "conditional_log_density",
    "drop_duplicates",
    "estimate",
    "estimated_rows",
    "half_data_loss",
    "island_covariance",
    "island_leads",
    "linear_means",
    "linear_predictions",
    "linear_predictions_of_many",
    "log_likelihood",
    "log_likelihood_of",
    "means_at",
    "most_informative",
    "noise_of",
    "nonlinear_rows",
    "nonlinearity_sd",
    "read_at",
    "rules_out_more",
    "shifted_log_likelihood",
    "slips",
    "solve_at",
    "strand_looks",
    "tally",
    "tap_effects",
    "taps_of",
    "values_of",
    "volt_noise",
    "without_duplicates",
]
