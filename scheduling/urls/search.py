from django.urls import path

from scheduling.views import search

urlpatterns = [
    path("search/", search.search_page, name="search"),
    path("search/names/<slug:kind>/", search.names, name="names"),
]
