from django.urls import path

from scheduling.views import requests, sessions

urlpatterns = [
    path("requests/", requests.request_list, name="requests"),
    path("sessions/", sessions.session_list, name="sessions"),
    path("sessions/open/", sessions.session_add, name="session_add"),
    path("sessions/<int:pk>/", sessions.session_edit, name="session"),
    path("sessions/<int:pk>/call-off/", sessions.session_off, name="session_cancel"),
    path("benches/add/", sessions.bench_new, name="bench_add"),
]
