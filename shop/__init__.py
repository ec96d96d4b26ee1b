"""The Django project and the shop's own facts: people, machines, processes, media, hours."""

import os

from shop.celery import app as celery_app

__all__ = ["celery_app"]

# Before NumPy is loaded: the matrices here are small, and on a busy machine the threads of a linear algebra library
# wait for each other three times as long as one alone reckons.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")
