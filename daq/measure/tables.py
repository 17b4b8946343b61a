"""Tables made by simulation. `python -m tests.studies.tables` and `python -m tests.studies.peak` make them again, digit
by digit; tests re-simulate some entries."""

RATIO_PHI_STEP = 0.05
RATIO_LIMITS = (
    1.858, 1.968, 2.087, 2.219, 2.366, 2.531, 2.716, 2.923, 3.157, 3.428,
    3.738, 4.102, 4.529, 5.036, 5.653, 6.419, 7.366, 8.591, 10.228, 12.539,
)  # fmt: skip
"""The 99.5 % quantile of the R-statistic, λ = (0.2, 0.1, 0.1), of a steady first-order autoregressive signal with lag-1
autocorrelation 0, 0.05, … 0.95."""

PEAK_TABLE = (
    (0.02, -0.760, 0.403),
    (0.04, -0.695, 0.405),
    (0.07, -0.635, 0.407),
    (0.12, -0.567, 0.411),
    (0.2, -0.492, 0.418),
    (0.35, -0.395, 0.430),
    (0.6, -0.281, 0.450),
    (1, -0.146, 0.481),
    (1.6, -0.002, 0.521),
    (2.5, 0.142, 0.568),
    (4, 0.273, 0.631),
    (8, 0.383, 0.736),
)
"""Peak functional of a steady signal over 1 s: share of 50 ms that one independent sample stands for; bias and standard
deviation of the functional, both in standard deviations of the 50 ms mean."""
