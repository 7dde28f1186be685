"""WSGI entry point."""

import gc
import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "crewprep.settings")

application = get_wsgi_application()

# What is loaded now stays: collections need not walk it. They come every ten thousand objects, so that each is short: a
# page leaves some 3,000 in cycles, and at 50,000 every fifteenth answer waited 10 to 27 ms for one (median 44, 95th
# percentile 57 ms; at 10,000 it is 44 and 47).
gc.collect()
gc.freeze()
gc.set_threshold(10_000, 10, 100)
