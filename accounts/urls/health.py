from django.urls import path

from accounts.views import health

urlpatterns = [path("healthz/live", health.live, name="health_live")]
