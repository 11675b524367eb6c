"""Entry point of the Celery workers and the beat (served mode)."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("broodtide")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
