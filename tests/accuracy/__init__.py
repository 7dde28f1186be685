"""How right the analysis is, in figures: ``python -m tests.accuracy`` (``make accuracy``).

Over forty invented tracks with exact truth and, where ``make corpus`` has been run, ten real ones whose row times are
exact beat times. Measures are mir_eval's, named in ``score``; a common beat tracker runs beside as a baseline.
"""
