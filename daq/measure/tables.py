"""Tables made by simulation. `python -m tests.studies.tables` makes them again; tests re-simulate some entries."""

RATIO_PHI_STEP = 0.05
RATIO_LIMITS = (
    1.858, 1.968, 2.087, 2.219, 2.366, 2.531, 2.716, 2.923, 3.157, 3.428,
    3.738, 4.102, 4.529, 5.036, 5.653, 6.419, 7.366, 8.591, 10.228, 12.539,
)  # fmt: skip
"""The 99.5 % quantile of the R-statistic, λ = (0.2, 0.1, 0.1), of a steady first-order autoregressive signal with lag-1
autocorrelation 0, 0.05, … 0.95."""

PEAK_TABLE = (
    (0.02, -0.759, 0.404),
    (0.04, -0.694, 0.406),
    (0.07, -0.634, 0.409),
    (0.12, -0.566, 0.413),
    (0.2, -0.491, 0.419),
    (0.35, -0.394, 0.430),
    (0.6, -0.279, 0.448),
    (1, -0.143, 0.477),
    (1.6, 0.003, 0.514),
    (2.5, 0.145, 0.561),
    (4, 0.275, 0.623),
    (8, 0.384, 0.724),
    (16, 0.389, 0.818),
)
"""Peak functional of a steady signal over 1 s: share of 50 ms that one independent sample stands for; bias and standard
deviation of the functional, both in standard deviations of the 50 ms mean."""
