from django.urls import path

from scheduling.views import health

urlpatterns = [path("healthz/ready", health.ready, name="health_ready")]
