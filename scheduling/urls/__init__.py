from scheduling.urls import bench, booking, plan, reminders, season

app_name = "scheduling"
urlpatterns = [
    *season.urlpatterns,
    *booking.urlpatterns,
    *plan.urlpatterns,
    *reminders.urlpatterns,
    *bench.urlpatterns,
]
