from scheduling.urls import bench, booking, channels, founding, health, plan, reminders, search, season

app_name = "scheduling"
urlpatterns = [
    *health.urlpatterns,
    *founding.urlpatterns,
    *season.urlpatterns,
    *search.urlpatterns,
    *booking.urlpatterns,
    *plan.urlpatterns,
    *reminders.urlpatterns,
    *channels.urlpatterns,
    *bench.urlpatterns,
]
