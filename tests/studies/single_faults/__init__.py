"""One fault of the stand at a time, under whole runs of the real core.

Run: python -m tests.studies.single_faults --help
"""
