"""The pure part: arrays in, facts out.

Imports numpy, scipy, librosa and soundfile, never Django or Celery. ``results`` uses the standard library alone,
so that a web process may read stored facts without loading any of them.
"""
