"""Entry point of the web processes."""

import os

from django.core.wsgi import get_wsgi_application

from config.collector import collector_settle

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_wsgi_application()
collector_settle()
