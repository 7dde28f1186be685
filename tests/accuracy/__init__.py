"""How right the analysis is, in figures: ``python -m tests.accuracy`` (``make accuracy``).

Nearly three hundred invented tracks with exact truth, half of them for tuning and half for reporting, and, where
``make corpus`` has been run, ten real ones whose row times are exact beat times. Measures are mir_eval's, named in
``score`` and ``form``; three general-purpose beat trackers run beside as baselines (``baselines``). The modules that
begin with ``fit`` make the weights that the analysis ships, from material of their own.
"""
