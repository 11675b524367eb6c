from django.urls import path

from scheduling.views import search

urlpatterns = [path("search/", search.search_page, name="search")]
