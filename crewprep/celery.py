"""The Celery app: a doorbell for jobs that live in the database (see ``crewprep.jobs``)."""

import os

from celery import Celery
from kombu.transport import TRANSPORT_ALIASES

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "crewprep.settings")

# Kombu takes transports from an address by alias alone, so our own stands in for the one it tunes.
TRANSPORT_ALIASES["sqla"] = "crewprep.embedded_broker:Transport"

app = Celery("crewprep")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.set_default()
app.autodiscover_tasks(["analysis_worker"])
