from scheduling.urls import bench, booking, health, plan, reminders, season

app_name = "scheduling"
urlpatterns = [
    *health.urlpatterns,
    *season.urlpatterns,
    *booking.urlpatterns,
    *plan.urlpatterns,
    *reminders.urlpatterns,
    *bench.urlpatterns,
]
