"""Work for the workers. The ``Job`` row is the truth and the outbox; Celery carries only its id.

A job is written in the same transaction as the change that asks for it. A worker claims it (token and lease), keeps
the lease by a heartbeat, and finishes in one transaction that only the holder of the token can win. Lost or doubled
messages cost nothing but delay.
"""
