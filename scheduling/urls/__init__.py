from scheduling.urls import bench, booking, founding, health, plan, reminders, season

app_name = "scheduling"
urlpatterns = [
    *health.urlpatterns,
    *founding.urlpatterns,
    *season.urlpatterns,
    *booking.urlpatterns,
    *plan.urlpatterns,
    *reminders.urlpatterns,
    *bench.urlpatterns,
]
