"""crewprep gets a DJ crew's shared crate of tracks ready for a night.

One Django app, one package per part of the domain. Start reading at ``crewprep/models.py``, then
``crewprep/review/services.py``; DEVELOPERS.md has the map and the import order.
"""
