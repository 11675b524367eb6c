from django.urls import path

from scheduling.views import founding

urlpatterns = [
    path("begin/", founding.founding, name="founding"),
    path("begin/practice/", founding.practice, name="founding_practice"),
]
