"""The clinical rules. Pure functions of facts, thresholds and an as-of date; nothing else.

Change medicine here and nowhere else. No module of this package reads a clock, a file, a database,
the network or a FHIR resource: `tests/test_architecture.py` keeps it so.
"""
