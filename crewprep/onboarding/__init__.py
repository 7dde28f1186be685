"""How a newcomer learns the crew's way and proves it, and how the convention and the analysis are put to the test.

A newcomer practises in **drills**: an approved sheet is hidden, its slots are marked by ear, and each slot is scored
against it (``scoring.py``, pure). ``scheduling.py`` says when a slot is due again, ``picking.py`` which track comes
next, never one whose markers the newcomer has set or seen (``sights.py``). A lead reads the figures (``progress.py``),
each with its interval (``figures.py``, pure), and **signs off** (``signing.py``).

In a **double marking** several members mark the same tracks without seeing each other or the draft; where they
disagree, the wording of a slot is to blame (``double.py``; ``disagreement.py`` and ``agreement.py``, pure).
``fates.py`` tells the same of the analysis: what became of each drafted marker when a sheet was approved.
"""
