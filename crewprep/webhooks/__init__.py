"""Telling other programs of verdicts: signed, tried again, and to public addresses alone.

A lead registers an address; for each verdict a delivery is queued with the notices (``queueing``), and a worker makes
one request for it (``delivering``), signed as "Standard Webhooks" has it (``signing``) and sent to an address that was
looked at before it was connected to (``outside``).
"""
