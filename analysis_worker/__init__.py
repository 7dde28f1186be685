"""Everything that looks at audio: the pure core, the guarded child processes, the Celery tasks.

``core`` turns arrays into facts and knows neither Django nor Celery. ``tasks`` is the only module here that
knows the database. ``python -m analysis_worker FILE`` analyses one file at the prompt.
"""
