from django.apps import AppConfig
from django.conf import settings


class ProspectingConfig(AppConfig):
    name = "prospecting"
    verbose_name = "Prospecting: ground, material, assays"

    def ready(self) -> None:
        if len(settings.LANGUAGES) > 1:
            from prospecting.catalogue import speak_every_language

            speak_every_language()
