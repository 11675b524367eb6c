from django.apps import AppConfig


class BreedingConfig(AppConfig):
    name = "breeding"
    verbose_name = "Stock"
