"""The heart: a member proposes a sheet, another member reviews it, never one's own.

``lifecycle.py`` is the table of moves, ``rules.py`` says who may make them, ``services.py`` makes them.
"""
