from django.urls import path

from scheduling.views import feeds, one_tap

urlpatterns = [
    path("tap/<str:token>/", one_tap.one_tap, name="one_tap"),
    path("tap/<str:token>/stop/", one_tap.mail_stop, name="mail_stop"),
    path("calendar/<str:token>.ics", feeds.feed, name="feed"),
    path("calendars/", feeds.feeds, name="feeds"),
    path("calendars/make/", feeds.make, name="feed_make"),
    path("calendars/bench/<int:pk>/make/", feeds.make_bench, name="feed_make_bench"),
    path("calendars/<int:pk>/end/", feeds.end, name="feed_end"),
]
