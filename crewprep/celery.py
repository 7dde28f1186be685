"""The Celery app: a doorbell for jobs that live in the database (see ``crewprep.jobs``)."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "crewprep.settings")

app = Celery("crewprep")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.set_default()
app.autodiscover_tasks(["analysis_worker"])
