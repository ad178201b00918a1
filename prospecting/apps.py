from django.apps import AppConfig


class ProspectingConfig(AppConfig):
    name = "prospecting"
    verbose_name = "Prospecting: ground, material, assays"
