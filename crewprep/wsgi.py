"""WSGI entry point."""

import gc
import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "crewprep.settings")

application = get_wsgi_application()

# What is loaded now stays: collections need not walk it. They come every ten thousand objects, the second kind after
# two of the first, so that each is short: a page leaves some 3,000 in cycles. At 50,000 every fifteenth answer waited
# 10 to 27 ms for one; with ten of the first before the second, now and then one of the queue's waited 70.
gc.collect()
gc.freeze()
gc.set_threshold(10_000, 2, 100)
