from django.urls import path

from scheduling.views import health, metrics

urlpatterns = [
    path("healthz/ready", health.ready, name="health_ready"),
    path("metrics", metrics.metrics, name="metrics"),
]
