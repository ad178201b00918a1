from django.apps import AppConfig


class TrialsConfig(AppConfig):
    name = "trials"
    verbose_name = "Trials: additives, runs, verdicts"
